"""Is a circuit or a light getting worse? Trend tests and the power law.

Both tests ask whether failures came at a steady rate while a unit was watched; neither
needs the age at which the watch began. Positive Laplace values and shapes above one
mean worse with time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import chdtr, chdtrc, gammaincinv, ndtr

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.recurrence import Histories

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class TrendTest:
    """A test for trend: of each unit, and of all together.

    Parameters
    ----------
    statistic, p_value
        Of each unit; not a number where a unit had too few failures to tell.
    pooled, pooled_p_value
        Of all units, each against its own steady rate.
    failures
        That the test rests on, of each unit.
    """

    statistic: Floats
    p_value: Floats
    pooled: float
    pooled_p_value: float
    failures: Ints


@dataclass(frozen=True)
class PowerLaw:
    """Failures of a unit by age t: (t / scale) ** shape on average.

    Parameters
    ----------
    shape, shape_low, shape_high
        Above 1: ever more frequent.
    scale
        Age by which a unit has failed once, on average.
    exact
        Whether the limits are exact (chi-square) or of the profile likelihood.
    failures
        That it rests on.
    """

    shape: float
    shape_low: float
    shape_high: float
    scale: float
    exact: bool
    failures: int

    @property
    def growth(self) -> float:
        """Factor before ``t ** shape``: failures of a unit by age 1."""
        return float(self.scale**-self.shape)

    def expected(self, age: npt.ArrayLike) -> Floats:
        """Return failures of a unit by an age, on average."""
        return np.asarray((np.asarray(age, np.float64) / self.scale) ** self.shape)

    def rate(self, age: npt.ArrayLike) -> Floats:
        """Return failures per unit of time at an age."""
        at = np.asarray(age, np.float64)
        return np.asarray(self.shape / at * (at / self.scale) ** self.shape)


def _watched(
    history: Histories, ends_at_failure: bool
) -> tuple[Ints, Floats, Floats, Ints]:
    """Return failures that may fall anywhere, as shares of the watch of their unit."""
    length = history.exit_age - history.entry_age
    free = np.ones(history.age.size, dtype=np.bool_)
    if ends_at_failure:
        free = history.age < history.exit_age[history.unit]
    unit = history.unit[free]
    share = (history.age[free] - history.entry_age[unit]) / length[unit]
    return unit, share, length, np.bincount(unit, minlength=history.units)


def laplace(history: Histories, *, ends_at_failure: bool = False) -> TrendTest:
    """Test for trend by whether failures come late or early in the watch.

    Parameters
    ----------
    history
        Units and their failures.
    ends_at_failure
        Whether the watch of units ended because they failed; that failure then says
        nothing.

    Raises
    ------
    NotEnoughEvidence
        No failure to test.

    Notes
    -----
    The standardised mean of failure times [1]_; two-sided p-values from the normal law.

    References
    ----------
    .. [1] D. R. Cox, P. A. W. Lewis, The Statistical Analysis of Series of Events,
       1966, chapter 3; from memory.
    """
    unit, share, length, count = _watched(history, ends_at_failure)
    if unit.size == 0:
        raise NotEnoughEvidence("no failure to test for trend")
    late = np.bincount(unit, share - 0.5, history.units)
    with np.errstate(invalid="ignore"):
        statistic = np.where(count > 0, late / np.sqrt(count / 12), np.nan)
    pooled = float((late * length).sum() / np.sqrt((count * length**2).sum() / 12))
    return TrendTest(
        statistic,
        2 * ndtr(-np.abs(statistic)),
        pooled,
        float(2 * ndtr(-abs(pooled))),
        count,
    )


def log_times(history: Histories, *, ends_at_failure: bool = False) -> TrendTest:
    """Test for trend by the logarithms of failure times.

    Twice the sum of log(watch / time of failure) is chi-square with two degrees of
    freedom per failure if the rate is steady [1]_: small where it rises.

    Parameters
    ----------
    history
        Units and their failures.
    ends_at_failure
        Whether the watch of units ended because they failed.

    Raises
    ------
    NotEnoughEvidence
        No failure to test.

    References
    ----------
    .. [1] MIL-HDBK-189 (1981), appendix C; L. H. Crow, 1974; from memory.
    """
    unit, share, _, count = _watched(history, ends_at_failure)
    if unit.size == 0:
        raise NotEnoughEvidence("no failure to test for trend")
    with np.errstate(divide="ignore"):
        twice = np.bincount(unit, -2 * np.log(share), history.units)
    pooled, total = float(twice.sum()), int(count.sum())
    return TrendTest(
        np.where(count > 0, twice, np.nan),
        np.where(count > 0, _two_sided(twice, np.maximum(count, 1)), np.nan),
        pooled,
        float(_two_sided(pooled, total)),
        count,
    )


def _two_sided(chi_square: npt.ArrayLike, count: npt.ArrayLike) -> Floats:
    low = chdtr(2 * np.asarray(count), chi_square)
    high = chdtrc(2 * np.asarray(count), chi_square)
    return np.asarray(np.minimum(1.0, 2 * np.minimum(low, high)))


def _reach(age: Floats, shape: float, top: float) -> tuple[Floats, Floats]:
    """Return (age / top) ** shape and its slope in the shape."""
    part = age / top
    with np.errstate(divide="ignore", invalid="ignore"):
        power = part**shape
        slope = np.where(part > 0, power * np.log(part), 0.0)
    return power, slope


def _profile(history: Histories) -> tuple[float, int, Floats]:
    top = float(history.exit_age.max())
    return top, history.age.size, np.log(history.age / top)


def _score(history: Histories, shape: float) -> float:
    """Return the slope of the profile likelihood in the shape."""
    top, count, logs = _profile(history)
    end, end_slope = _reach(history.exit_age, shape, top)
    begin, begin_slope = _reach(history.entry_age, shape, top)
    gone = float((end - begin).sum())
    return float(
        count / shape + logs.sum() - count * (end_slope - begin_slope).sum() / gone
    )


def _log_profile(history: Histories, shape: float) -> float:
    top, count, logs = _profile(history)
    end, _ = _reach(history.exit_age, shape, top)
    begin, _ = _reach(history.entry_age, shape, top)
    spent = float((end - begin).sum())
    return float(count * np.log(shape / spent) + shape * logs.sum())


def _crossing(history: Histories, shape: float, target: float, factor: float) -> float:
    far = shape * factor
    while _log_profile(history, far) > target:
        far *= factor
        if not 1e-8 < far < 1e8:
            return 0.0 if factor < 1 else np.inf
    ends = sorted((far, shape))
    return float(brentq(lambda at: _log_profile(history, at) - target, *ends))


def _exact_limits(
    shape: float, count: int, ends_at_failure: bool, confidence: float
) -> tuple[float, float]:
    free = count - 1 if ends_at_failure else count
    tail = (1 - confidence) / 2
    low, high = gammaincinv(free, [tail, 1 - tail]) * shape / count
    return float(low), float(high)


def power_law(
    history: Histories, *, ends_at_failure: bool = False, confidence: float = 0.95
) -> PowerLaw:
    """Fit a power law of age to the failures of one or more like units.

    Parameters
    ----------
    history
        Units and their failures; late entry is allowed for.
    ends_at_failure
        Whether the watch ended because of a failure, which then is no free time.
    confidence
        Of the two-sided limits of the shape.

    Returns
    -------
    PowerLaw
        By maximum likelihood, not corrected for bias. Limits are exact where all units
        are watched from age 0 to one age, else by the profile likelihood.

    Raises
    ------
    NotEnoughEvidence
        Fewer than two failures at different shares of the watch.

    References
    ----------
    .. [1] L. H. Crow, Reliability analysis for complex repairable systems, 1974;
       MIL-HDBK-189; from memory.
    """
    count = int(history.age.size)
    if count < (3 if ends_at_failure else 2):
        raise NotEnoughEvidence(f"{count} failures are too few for a power law")
    low, high = 1e-6, 1.0
    while _score(history, high) > 0:
        high *= 2
        if high > 1e6:
            raise NotEnoughEvidence("all failures at the very end: no power law fits")
    shape = float(brentq(lambda at: _score(history, at), low, high, xtol=1e-14))
    top, _, _ = _profile(history)
    end, _ = _reach(history.exit_age, shape, top)
    begin, _ = _reach(history.entry_age, shape, top)
    scale = top * float(((end - begin).sum() / count) ** (1 / shape))
    even = bool(np.all(history.entry_age == 0) and np.ptp(history.exit_age) == 0)
    exact = even and (history.units == 1 or not ends_at_failure)
    if exact:
        limits = _exact_limits(shape, count, ends_at_failure, confidence)
    else:
        drop = float(gammaincinv(0.5, confidence))
        target = _log_profile(history, shape) - drop
        limits = (
            _crossing(history, shape, target, 0.5),
            _crossing(history, shape, target, 2.0),
        )
    return PowerLaw(shape, *limits, scale, exact, count)
