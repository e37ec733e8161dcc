"""Survival with no shape assumed.

One rule for who is at risk at age t, everywhere: entry < t <= exit; an entry age of
zero means watched from new. Ties are exact: all failures at one age are one step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.ages import FloatArray, watched, weights_of


@dataclass(frozen=True)
class SurvivalCurve:
    """Share alive at and after each age of failure, until the next.

    Where none are left of those at risk, survival is zero for good, however many
    enter later: ``at_risk`` shows how few that rests on.
    """

    age_years: FloatArray
    survival: FloatArray
    low: FloatArray
    high: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    confidence: float

    def at(self, age_years: ArrayLike) -> FloatArray:
        """Return the share alive at an age [years]; all are, before the first."""
        return step_at(self.age_years, self.survival, 1.0, age_years)


def step_at(
    ages: FloatArray, values: FloatArray, before: float, wanted: ArrayLike
) -> FloatArray:
    """Return the value of a step function at each wanted age [years]."""
    places = np.searchsorted(ages, np.asarray(wanted, dtype=np.float64), "right")
    return np.asarray(np.concatenate([[before], values])[places])


def normal_quantile(confidence: float) -> float:
    """Return how many standard errors two-sided limits lie away."""
    from scipy.special import ndtri

    return float(ndtri((1 + confidence) / 2))


def _at_risk(
    ages: FloatArray, begun: FloatArray, end: FloatArray, weights: FloatArray | None
) -> FloatArray:
    """Count lives with entry < age <= exit; an entry of zero is watched from new."""
    late = begun > 0
    late_weights = None if weights is None else weights[late]
    whole = float(len(end)) if weights is None else float(weights.sum())
    gone = _below(ages, end, weights)
    return whole - gone - _not_below(ages, begun[late], late_weights)


def _below(
    ages: FloatArray, values: FloatArray, weights: FloatArray | None
) -> FloatArray:
    """Return for each age the weight of values below it."""
    if weights is None:
        return np.searchsorted(np.sort(values), ages, "left").astype(np.float64)
    bins = np.bincount(
        np.searchsorted(ages, values, "right"), weights, minlength=len(ages) + 1
    )
    return np.asarray(np.cumsum(bins)[:-1])


def _not_below(
    ages: FloatArray, values: FloatArray, weights: FloatArray | None
) -> FloatArray:
    """Return for each age the weight of values at it or above."""
    whole = float(len(values)) if weights is None else float(weights.sum())
    return whole - _below(ages, values, weights)


def table(
    entry_age: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    weights: ArrayLike | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return ages of failure, lives at risk and failures at each."""
    begun, end, event = watched(entry_age, exit_age, failed)
    weight = weights_of(weights, len(end))
    event = event.astype(bool)
    if weight is not None:
        event = event & (weight > 0)
    if not event.any():
        raise NotEnoughEvidence(f"none of {len(end)} lives failed")
    ages, place = np.unique(end[event], return_inverse=True)
    counted = None if weight is None else weight[event]
    failures = np.bincount(place, counted, minlength=len(ages)).astype(np.float64)
    return ages, _at_risk(ages, begun, end, weight), failures


def kaplan_meier(
    entry_age: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    confidence: float = 0.95,
) -> SurvivalCurve:
    """Estimate survival by the product limit, with delayed entry.

    Parameters
    ----------
    entry_age, exit_age
        Ages between which each life was watched [years].
    failed
        Whether it failed at its exit.
    weights
        How many alike each life stands for.
    confidence
        Of the two-sided limits at each age.

    Returns
    -------
    SurvivalCurve
        One step an age of failure; limits by Greenwood's variance on the log-log
        scale. Where survival is zero, the upper limit stays as it last was.

    Raises
    ------
    NotEnoughEvidence
        Nothing failed.
    NotUnderstood
        A life fails at an age at which it was not at risk.

    References
    ----------
    .. [1] E. L. Kaplan and P. Meier, JASA 53 (1958), 457-481.
    .. [2] J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd ed. (2003),
       sections 4.2, 4.3 and 4.6.

    Examples
    --------
    >>> curve = kaplan_meier([0, 0, 1, 0], [2, 3, 3, 4], [True, True, False, True])
    >>> [round(float(s), 3) for s in curve.survival]
    [0.75, 0.5, 0.0]
    """
    ages, at_risk, failures = table(entry_age, exit_age, failed, weights)
    survival = np.cumprod(1 - failures / at_risk, dtype=np.float64)
    left = at_risk - failures
    some = left > 1e-9 * at_risk
    survival[np.cumsum(~some) > 0] = 0.0
    alive = survival > 0
    steps = failures / (at_risk * np.where(some, left, 1.0))
    error = np.sqrt(np.cumsum(np.where(alive, steps, 0.0)))
    low, high = _log_log(survival, error, alive, confidence)
    return SurvivalCurve(ages, survival, low, high, at_risk, failures, confidence)


def _log_log(
    survival: FloatArray, error: FloatArray, alive: NDArray[np.bool_], confidence: float
) -> tuple[FloatArray, FloatArray]:
    """Return limits S^exp(+-z e / log S), e the relative standard error of S."""
    log = np.log(np.where(alive, survival, 0.5))
    power = np.exp(normal_quantile(confidence) * error / log)
    low = np.where(alive, np.exp(log / power), 0.0)
    high = np.where(alive, np.exp(log * power), 1.0)
    return low, np.minimum.accumulate(high)
