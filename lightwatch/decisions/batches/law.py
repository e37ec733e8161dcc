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
from scipy.special import gammaln

Floats = npt.NDArray[np.float64]

GRID = np.exp(np.linspace(np.log(0.02), np.log(50.0), 500))
"""Ratios looked at."""

DRAWN = (np.arange(16) + 0.5) / 16
"""Share by which a typical batch is drawn to the mean of the many: uniform
beforehand."""

MEANS = np.exp(np.linspace(-0.3, 0.3, 7))
"""Of the law of the many."""

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


def _likelihood(failures: Floats, expected: Floats, evidence: Floats) -> Floats:
    """Return the negative binomial likelihood by batch and ratio, greatest 1."""
    mean = np.maximum(expected, 1e-9)[:, None] * GRID
    size = np.maximum(evidence, 1e-3)[:, None]
    log = failures[:, None] * np.log(mean / (size + mean))
    log -= size * np.log1p(mean / size)
    return np.asarray(np.exp(log - log.max(axis=1, keepdims=True)))


def _normed(log_density: Floats) -> Floats:
    mass = np.exp(log_density - log_density.max(axis=-1, keepdims=True))
    return np.asarray(mass / mass.sum(axis=-1, keepdims=True))


def _laws(typical: float) -> Floats:
    """Return laws of ratios on the grid, all beforehand as likely."""
    drawn, mean, few = (
        one.ravel() for one in np.meshgrid(DRAWN, MEANS, FEW, indexing="ij")
    )
    shape = (typical * drawn / (1 - drawn))[:, None]
    rate = shape / mean[:, None]
    many = _normed(shape * np.log(GRID * rate) - rate * GRID - gammaln(shape))
    wide = _normed(-0.5 * (np.log(GRID / FEW_MEDIAN) / FEW_SPREAD) ** 2)
    share = few[:, None]
    return np.asarray((1 - share) * many + share * wide)


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
    likelihood = _likelihood(failures, expected, evidence)
    laws = _laws(float(max(np.median(expected), 0.1)))
    made = np.maximum(likelihood @ laws.T, 1e-300)
    weight = _normed(np.log(made).sum(axis=0))
    posterior = likelihood * ((weight / made) @ laws)
    mass = np.cumsum(posterior, axis=1) / posterior.sum(axis=1, keepdims=True)
    tail = (1 - confidence) / 2
    low, high = (
        np.array([np.interp(at, row, GRID) for row in mass]) for at in (tail, 1 - tail)
    )
    mean = posterior @ GRID / posterior.sum(axis=1)
    return Ratios(mean, low, high)
