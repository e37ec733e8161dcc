"""The law of batches: nearly all are much alike, and a few are not.

Failures of a batch are Poisson about those expected times its ratio. Ratios come from a
mixture of two laws [1]_: a gamma law of the many, and for the few a wide one, so that a
bad batch among hundreds of good ones is not talked down to them. Neither the many's law
nor the share of the few is known; limits are averaged over those that the failures
allow. What is expected rests on finitely many failures of peers, a gamma law again,
which makes the failures negative binomial.

References
----------
.. [1] W. DuMouchel, The American Statistician 53 (1999), 177-190: ratios of observed to
   expected, a mixture of two gamma laws, empirical Bayes. Here the second is lognormal
   and the parameters are averaged over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

RANGE = (0.02, 50.0)
"""Ratios looked at."""

COARSE, FINE = 0.016, 0.4
"""Step between them, in the log: at most, and in standard errors of the batch that is
known best."""

LOGITS = 22
"""Laws of the many looked at: even in the logit of the share by which a typical batch
is drawn to their mean, that share being uniform beforehand."""

LEAST_SHAPE = 0.1
"""Of the law of the many, looked at; no source."""

MEANS = np.linspace(-0.3, 0.3, 13)
"""Of the law of the many, in the log."""

FEW = np.array([0.003, 0.01, 0.03, 0.1])
"""Share of batches that are unlike the others; no source."""

FEW_MEDIAN, FEW_SPREAD = 1.5, 1.0
"""Of the lognormal law of those; no source."""


@dataclass(frozen=True)
class Ratios:
    """Posterior mean and limits of each batch's ratio."""

    mean: Floats
    low: Floats
    high: Floats


def _grid(failures: Floats, evidence: Floats) -> Floats:
    """Return ratios even in the log, close enough for the batch that is known best."""
    known = 1 / np.sqrt(1 / (failures + 1) + 1 / np.maximum(evidence, 1.0))
    step = min(COARSE, FINE / float(known.max()))
    low, high = np.log(RANGE)
    return np.asarray(np.exp(np.linspace(low, high, 1 + round((high - low) / step))))


def _likelihood(
    grid: Floats, failures: Floats, expected: Floats, evidence: Floats
) -> Floats:
    """Return the negative binomial likelihood by batch and ratio, greatest 1."""
    mean = np.maximum(expected, 1e-9)[:, None] * grid
    size = np.maximum(evidence, 1e-3)[:, None]
    log = failures[:, None] * np.log(mean / (size + mean))
    log -= size * np.log1p(mean / size)
    return np.asarray(np.exp(log - log.max(axis=1, keepdims=True)))


def _normed(log_density: Floats) -> Floats:
    mass = np.exp(log_density - log_density.max(axis=-1, keepdims=True))
    return np.asarray(mass / mass.sum(axis=-1, keepdims=True))


def _laws(grid: Floats, typical: float) -> tuple[Floats, Floats]:
    """Return laws of ratios on the grid, and the log of how likely each is beforehand.

    Parameters
    ----------
    grid
        Ratios.
    typical
        Failures on which a typical batch's ratio rests.
    """
    low = min(np.log(LEAST_SHAPE / typical), -3.5)
    logits, log_mean, few = (
        one.ravel()
        for one in np.meshgrid(np.linspace(low, 3.5, LOGITS), MEANS, FEW, indexing="ij")
    )
    shape = (typical * np.exp(logits))[:, None]
    rate = shape / np.exp(log_mean)[:, None]
    many = _normed(shape * np.log(grid * rate) - rate * grid)
    wide = _normed(-0.5 * (np.log(grid / FEW_MEDIAN) / FEW_SPREAD) ** 2)
    share = few[:, None]
    before = -np.logaddexp(0, logits) - np.logaddexp(0, -logits)
    return np.asarray((1 - share) * many + share * wide), np.asarray(before)


def ratios(
    failures: Floats, expected: Floats, evidence: Floats, confidence: float = 0.95
) -> Ratios:
    """Return the ratio of each batch given its failures and all the others'.

    Parameters
    ----------
    failures, expected
        Of each batch, with and without its ratio.
    evidence
        Failures of peers on which what is expected rests.
    confidence
        Of the two-sided posterior limits.

    Examples
    --------
    >>> many = np.full(50, 20.0)
    >>> failures = np.r_[60.0, many[1:]]
    >>> found = ratios(failures, many, np.full(50, 1e6))
    >>> [bool(low < 3 < high) for low, high in zip(found.low[:2], found.high[:2])]
    [True, False]
    """
    grid = _grid(failures, evidence)
    likelihood = _likelihood(grid, failures, expected, evidence)
    laws, before = _laws(grid, float(max(np.median(expected), 0.1)))
    made = np.maximum(likelihood @ laws.T, 1e-300)
    weight = _normed(before + np.log(made).sum(axis=0))
    posterior = likelihood * ((weight / made) @ laws)
    posterior /= posterior.sum(axis=1, keepdims=True)
    mass = np.cumsum(posterior, axis=1) - posterior / 2
    tail = (1 - confidence) / 2
    low, high = (
        np.array([np.interp(at, row, grid) for row in mass]) for at in (tail, 1 - tail)
    )
    return Ratios(posterior @ grid, low, high)
