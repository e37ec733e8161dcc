"""Causes of failure with no shape assumed: they compete for the same lives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightwatch.errors import NotUnderstood
from lightwatch.rates.ages import FloatArray, refuse
from lightwatch.rates.nonparametric import normal_quantile, step_at, table


@dataclass(frozen=True)
class Incidence:
    """Share failed by each cause, one row a cause, at and after each age of failure."""

    causes: NDArray[Any]
    age_years: FloatArray
    incidence: FloatArray
    low: FloatArray
    high: FloatArray
    survival: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    confidence: float

    def at(self, cause: object, age_years: ArrayLike) -> FloatArray:
        """Return the share failed by one cause at an age [years]."""
        (rows,) = np.nonzero(self.causes == cause)
        if not len(rows):
            known = ", ".join(str(one) for one in self.causes)
            raise NotUnderstood(f"nothing failed by cause {cause} (known: {known})")
        return step_at(self.age_years, self.incidence[rows[0]], 0.0, age_years)


def aalen_johansen(
    entry_age: ArrayLike,
    exit_age: ArrayLike,
    cause: ArrayLike,
    *,
    confidence: float = 0.95,
) -> Incidence:
    """Estimate the share failed by each cause, with delayed entry and exact ties.

    Parameters
    ----------
    entry_age, exit_age
        Ages between which each life was watched [years].
    cause
        What it failed by at its exit: a number or a string; 0 or "" when it was alive.
    confidence
        Of the two-sided limits at each age.

    Returns
    -------
    Incidence
        One row a cause, one step an age of failure; Greenwood's variance for several
        causes, limits on the log-log scale. The shares failed and alive sum to one.

    Raises
    ------
    NotEnoughEvidence
        Nothing failed.
    NotUnderstood
        A cause is missing.

    References
    ----------
    .. [1] O. Aalen and S. Johansen, Scandinavian Journal of Statistics 5 (1978),
       141-150.
    .. [2] E. Marubini and M. G. Valsecchi, Analysing Survival Data from Clinical
       Trials and Observational Studies (1995), section 10.2.1, for the variance.
    """
    named = np.asarray(cause)
    if named.dtype == object:
        refuse(
            np.array([one is None or one != one for one in named]), "cause is missing"
        )
        alive = np.array([one in ("", 0) for one in named], dtype=bool)
    else:
        alive = named == ("" if named.dtype.kind in "US" else 0)
    ages, at_risk, whole = table(entry_age, exit_age, ~alive, None)
    end = np.asarray(exit_age, dtype=np.float64)[~alive]
    causes, rows = np.unique(named[~alive], return_inverse=True)
    places = np.searchsorted(ages, end)
    cells = np.bincount(rows * len(ages) + places, minlength=len(causes) * len(ages))
    failures = cells.reshape(len(causes), len(ages)).astype(np.float64)
    survival = np.cumprod(1 - whole / at_risk, dtype=np.float64)
    survival[np.cumsum(at_risk <= whole) > 0] = 0.0
    before = np.concatenate([[1.0], survival[:-1]])
    incidence = np.cumsum(before * failures / at_risk, axis=1)
    error = _incidence_error(incidence, before, failures, at_risk)
    low, high = _incidence_limits(incidence, error, confidence)
    return Incidence(
        causes, ages, incidence, low, high, survival, at_risk, failures, confidence
    )


def _incidence_error(
    incidence: FloatArray, before: FloatArray, failures: FloatArray, at_risk: FloatArray
) -> FloatArray:
    """Return standard errors; the sum over past ages s is multiplied out.

    The variance at t sums (F(t) - F(s))^2 d / (n (n - d)) + S^2 c (n - c) / n^3
    - 2 (F(t) - F(s)) S c / n^2 over s, with d failures by any cause, c by this one,
    S survival just before.
    """
    whole = failures.sum(axis=0)
    left = np.where(at_risk > whole, at_risk - whole, np.inf)
    square = whole / (at_risk * left)
    cross = before * failures / at_risk**2
    own = before**2 * failures * (at_risk - failures) / at_risk**3
    constant = square * incidence**2 + own + 2 * incidence * cross
    linear = square * incidence + cross
    variance = (
        incidence**2 * np.cumsum(square)
        - 2 * incidence * np.cumsum(linear, axis=1)
        + np.cumsum(constant, axis=1)
    )
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _incidence_limits(
    incidence: FloatArray, error: FloatArray, confidence: float
) -> tuple[FloatArray, FloatArray]:
    """Return log-log limits, none failed giving zero and all failed giving one."""
    inside = (incidence > 0) & (incidence < 1)
    share = np.where(inside, incidence, 0.5)
    log = np.log(share)
    far = normal_quantile(confidence) * error / (share * -log)
    power = np.exp(np.minimum(far, 700.0))
    low = np.where(inside, share**power, incidence)
    return low, np.where(inside, share ** (1 / power), incidence)
