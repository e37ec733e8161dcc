"""How the peers of a batch age: failures by age and month, the batch itself left out.

Peers are the units of the same kind and type. Their hazard is a curve over age times a
factor for each month, which takes up the weather and the habits of the office [1]_; a
part fitted because another had failed there may have another hazard, for some lights
wear parts out. The curve is log-quadratic in the logarithm of age: a Weibull hazard is
a straight line in it, and infant failures bend it. A batch never speaks for its own
peers, so it cannot hide itself. Where batches differ by more than chance, a curve made
of them is as much less sure [2]_.

References
----------
.. [1] N. E. Breslow, N. E. Day, Statistical Methods in Cancer Research II (IARC 1987),
   chapter 4: Poisson regression and internally standardised ratios; from memory.
.. [2] R. W. M. Wedderburn, Biometrika 61 (1974), 439-447: quasi-likelihood; from
   memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

EDGES_MONTHS = (0, 6, 12, 24, 36, 48, 60, 84, 108, 144, 180, 240, 360)
AGES = len(EDGES_MONTHS)
CELLS = 2 * AGES
"""Bands of age, of first parts and of parts fitted where one had failed."""

OLDEST_YEARS = 35.0
"""Age for which the open last band stands."""

MONTH_SHAPE = 5.0
"""Of the gamma law about 1 of a month's factor; no source."""

PRIOR_MEAN = np.array([np.log(0.005), 0.0, 0.0, 0.0])
PRIOR_SD = np.array([3.0, 1.5, 0.5, 0.25])
"""Of log hazard per month, slope and bend in log age, and parts fitted again."""

LEAST_EXPECTED = 1.0
"""Peers of which fewer failures are expected say little of how batches differ."""

ROUNDS = 3
STEPS = 25
LONGEST_STEP = 1.5
CLOSE = 1e-4


def _basis() -> Floats:
    edges = np.array([*EDGES_MONTHS, 2 * 12 * OLDEST_YEARS - EDGES_MONTHS[-1]]) / 12
    age = np.log(((edges[:-1] + edges[1:]) / 2 + 0.5) / 5.0)
    one = np.column_stack([np.ones(AGES), age, age**2])
    again = np.repeat([0.0, 1.0], AGES)
    return np.column_stack([np.vstack([one, one]), again])


BASIS = _basis()
_PAIRS = (BASIS[:, :, None] * BASIS[:, None, :]).reshape(CELLS, -1)


@dataclass(frozen=True)
class Counts:
    """What befell the batches of one kind and type, by cell and month.

    ``failures`` and ``exposure`` [unit-months] have the shape (batches, cells, months).
    """

    failures: Floats
    exposure: Floats

    def until(self, month: int) -> Counts:
        """Return the months before one."""
        return Counts(self.failures[:, :, :month], self.exposure[:, :, :month])


@dataclass(frozen=True)
class Curves:
    """For each batch how its peers age.

    Parameters
    ----------
    coefficients, covariance
        Of the log hazard per month, shapes (batches, 4) and (batches, 4, 4).
    months
        Factor of each month, shape (batches, months).
    month_failures
        Peers' failures on which that factor rests.
    """

    coefficients: Floats
    covariance: Floats
    months: Floats
    month_failures: Floats

    @property
    def hazard(self) -> Floats:
        """Failures per unit-month by cell, shape (batches, cells)."""
        return np.asarray(np.exp(np.clip(self.coefficients @ BASIS.T, -30, 5)))


def _fit(failures: Floats, exposure: Floats, start: Floats) -> tuple[Floats, Floats]:
    """Fit curves by Newton's method; return coefficients and covariance."""
    precision = np.diag(PRIOR_SD**-2.0)
    at = start.copy()
    for _ in range(STEPS):
        expected = exposure * np.exp(np.clip(at @ BASIS.T, -30, 5))
        bend = (expected @ _PAIRS).reshape(-1, *precision.shape)
        slope = (failures - expected) @ BASIS - (at - PRIOR_MEAN) @ precision
        step = np.linalg.solve(bend + precision, slope[:, :, None])[:, :, 0]
        longest = np.abs(step).max(axis=1, keepdims=True)
        at = at + step * np.minimum(1.0, LONGEST_STEP / np.maximum(longest, 1e-300))
        if longest.max() < CLOSE:
            break
    return at, np.asarray(np.linalg.inv(bend + precision), dtype=np.float64)


def curves(counts: Counts, speaks: Bools, start: Floats | None = None) -> Curves:
    """Return how the peers of each batch age.

    Parameters
    ----------
    counts
        Of one kind and type.
    speaks
        Which batches count as peers of others; those with an alarm do not.
    start
        Coefficients to begin with.
    """
    failures, exposure = counts.failures, counts.exposure
    own = speaks[:, None, None]
    failed = failures.sum(axis=1)
    all_failures = (failures * own).sum(axis=0)
    all_exposure = (exposure * own).sum(axis=0)
    by_cell = all_failures.sum(axis=1) - (failures * own).sum(axis=2)
    by_month = all_failures.sum(axis=0) - failed * speaks[:, None]
    months = np.ones(by_month.shape)
    at = np.tile(PRIOR_MEAN, (len(failures), 1)) if start is None else start
    covariance = np.zeros((len(failures), 4, 4))
    for _ in range(ROUNDS):
        watched = months @ all_exposure.T
        watched -= np.matmul(exposure * own, months[:, :, None])[:, :, 0]
        at, covariance = _fit(by_cell, np.maximum(watched, 0.0), at)
        hazard = np.exp(np.clip(at @ BASIS.T, -30, 5))
        due = hazard @ all_exposure
        due -= np.matmul(hazard[:, None, :], exposure * own)[:, 0, :]
        months = (by_month + MONTH_SHAPE) / (np.maximum(due, 0.0) + MONTH_SHAPE)
    found = Curves(at, covariance, months, by_month)
    own_due = np.matmul(found.hazard[:, None, :], exposure)[:, 0] * months
    wider = _dispersion(failed.sum(axis=1), own_due.sum(axis=1), speaks)
    return replace(found, covariance=covariance * wider[:, None, None])


def _dispersion(failures: Floats, expected: Floats, speaks: Bools) -> Floats:
    """Return how much more than chance a batch's peers differ; at least 1."""
    squares, due = (failures - expected) ** 2 * speaks, expected * speaks
    others = np.maximum(due.sum() - due, LEAST_EXPECTED)
    return np.asarray(np.maximum((squares.sum() - squares) / others, 1.0))
