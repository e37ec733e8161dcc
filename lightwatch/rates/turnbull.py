"""Survival with no shape assumed when failures are known only between two ages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.ages import FloatArray, between, weights_of

_CLOSED_LEFT, _RIGHT, _OPEN_LEFT = 0, 1, 2
_MOST_STEPS = 20_000


@dataclass(frozen=True)
class TurnbullCurve:
    """Shares that fail in each innermost interval (low, high]; where within, unknown.

    ``low == high`` for failures at one age; a last ``high`` of infinity is the share
    that outlives all that was watched. ``slack`` is the steepest slope that is left in
    any share, a life; without late entries it bounds how far the log-likelihood a life
    is from its maximum.
    """

    low_years: FloatArray
    high_years: FloatArray
    share: FloatArray
    log_likelihood: float
    slack: float
    steps: int

    @property
    def survival(self) -> FloatArray:
        """Share alive after each interval."""
        return np.asarray(np.maximum(1 - np.cumsum(self.share), 0.0))

    def bounds(self, age_years: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the least and most share alive at an age [years].

        They differ inside an interval, where the data do not say when in it lives fail.
        """
        age = np.asarray(age_years, dtype=np.float64)
        left = np.concatenate([[1.0], self.survival])
        begun = np.searchsorted(self.low_years, age, "left")
        exact = np.searchsorted(self.low_years, age, "right")
        same = self.low_years == self.high_years
        at_age = (exact > begun) & np.append(same, False)[begun]
        begun = np.where(at_age, begun + 1, begun)
        ended = np.searchsorted(self.high_years, age, "right")
        return np.asarray(left[begun]), np.asarray(left[ended])


@dataclass(frozen=True)
class _Cells:
    """Distinct lives by the innermost intervals that they may have failed in."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    entered: NDArray[np.int64]
    weights: FloatArray


def _innermost(
    begun: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return intervals from a left end to the next right end with no end between.

    An entry age is a right end: mass put just before it costs those who entered later
    nothing (Frydman's correction of Turnbull).
    """
    exact = low == high
    finite = np.isfinite(high)
    ends = np.concatenate([low[exact], low[~exact], high[finite], begun[begun > 0]])
    kinds = np.full(len(ends), _RIGHT)
    kinds[: exact.sum()] = _CLOSED_LEFT
    kinds[exact.sum() : len(low)] = _OPEN_LEFT
    if not finite.all():
        ends, kinds = np.append(ends, np.inf), np.append(kinds, _RIGHT)
    order = np.lexsort((kinds, ends))
    ends, right = ends[order], kinds[order] == _RIGHT
    (starts,) = np.nonzero(~right[:-1] & right[1:])
    return ends[starts], ends[starts + 1]


def _cells(
    begun: FloatArray,
    low: FloatArray,
    high: FloatArray,
    weights: FloatArray,
    inner: tuple[FloatArray, FloatArray],
) -> _Cells:
    """Find which innermost intervals lie in each life's, and gather alike lives."""
    left, right = inner
    exact = low == high
    first = np.searchsorted(left, low, "left")
    opened = np.searchsorted(left, low, "right")
    closed = (opened > first) & (np.append(left == right, False)[first])
    first = np.where(~exact & closed, first + 1, first)
    last = np.searchsorted(right, high, "right")
    last = np.where(exact, first + 1, last)
    entered = np.searchsorted(right, begun, "right")
    entered = np.where(begun > 0, entered, 0)
    keys = np.stack([first, last, entered], axis=1)
    distinct, place = np.unique(keys, axis=0, return_inverse=True)
    gathered = np.bincount(place.ravel(), weights, minlength=len(distinct))
    first, last, entered = distinct.T
    return _Cells(first, last, entered, gathered.astype(np.float64))


def _pull(share: FloatArray, cells: _Cells) -> tuple[float, FloatArray]:
    """Return the log-likelihood and its slope in each share."""
    summed = np.concatenate([[0.0], np.cumsum(share)])
    inside = summed[cells.last] - summed[cells.first]
    after = summed[-1] - summed[cells.entered]
    if not (inside.min() > 0 and after.min() > 0):
        return -np.inf, np.zeros_like(share)
    value = float(cells.weights @ (np.log(inside) - np.log(after)))
    size = len(share) + 1
    slope = np.bincount(cells.first, cells.weights / inside, size)
    slope -= np.bincount(cells.last, cells.weights / inside, size)
    slope -= np.bincount(cells.entered, cells.weights / after, size)
    return value, np.cumsum(slope, dtype=np.float64)[:-1]


def _improved(share: FloatArray, cells: _Cells) -> FloatArray:
    """Take one step of Turnbull's self-consistency.

    With ghosts for lives that never entered: the expected failures in an interval over
    all, seen and unseen, lives.
    """
    value, slope = _pull(share, cells)
    if not np.isfinite(value):
        return share
    summed = np.concatenate([[0.0], np.cumsum(share)])
    unseen = float(cells.weights @ (summed[-1] / (summed[-1] - summed[cells.entered])))
    better = np.maximum(share * (1 + slope / unseen), 0.0)
    return np.asarray(better / better.sum())


def turnbull(
    low: ArrayLike,
    high: ArrayLike,
    entry_age: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    tolerance: float = 1e-7,
) -> TurnbullCurve:
    """Estimate survival from intervals of failure, with delayed entry.

    Parameters
    ----------
    low, high
        Each life failed in (low, high]: equal when the age is known, high infinite
        when it was still alive at low [years].
    entry_age
        Age at which each life came under watch [years].
    weights
        How many alike each life stands for.
    tolerance
        Stop when no share has a slope steeper than this, a life.

    Returns
    -------
    TurnbullCurve
        The nonparametric maximum-likelihood estimate.

    Raises
    ------
    NotEnoughEvidence
        Nothing failed, or the estimate does not settle.

    References
    ----------
    .. [1] B. W. Turnbull, JRSS B 38 (1976), 290-295.
    .. [2] H. Frydman, JRSS B 56 (1994), 71-74: innermost intervals under truncation.
    .. [3] R. Varadhan and C. Roland, Scandinavian Journal of Statistics 35 (2008),
       335-353: the acceleration.

    Examples
    --------
    >>> curve = turnbull([0, 1, 2], [2, 3, float("inf")], [0, 0, 0])
    >>> [round(float(s), 3) for s in curve.share]
    [0.5, 0.5]
    """
    begun, first, last = between(entry_age, low, high)
    weight = weights_of(weights, len(first))
    counts = np.ones(len(first)) if weight is None else weight
    begun, first, last = (one[counts > 0] for one in (begun, first, last))
    counts = counts[counts > 0]
    if not np.isfinite(last).any():
        raise NotEnoughEvidence(f"none of {len(last)} lives failed")
    inner = _innermost(begun, first, last)
    cells = _cells(begun, first, last, counts, inner)
    share = np.full(len(inner[0]), 1 / len(inner[0]))
    whole = float(counts.sum())
    for steps in range(1, _MOST_STEPS + 1):
        value, slope = _pull(share, cells)
        if not np.isfinite(value):
            break
        slack = float(slope.max()) / whole
        if slack < tolerance:
            return TurnbullCurve(*inner, share, value, slack, steps)
        share = _leap(share, cells, value)
    raise NotEnoughEvidence(
        "the estimate does not settle: those watched early say too little of survival "
        "to the ages at which others enter"
    )


def _leap(share: FloatArray, cells: _Cells, value: float) -> FloatArray:
    """Take two steps, and leap along them where that does not lead down."""
    once = _improved(share, cells)
    twice = _improved(once, cells)
    stride, bend = once - share, twice - 2 * once + share
    length = float(np.sqrt(bend @ bend))
    if length == 0:
        return twice
    far = max(1.0, float(np.sqrt(stride @ stride)) / length)
    leap = share + 2 * far * stride + far**2 * bend
    leap = np.maximum(leap, share * 1e-3)
    leap = _improved(leap / leap.sum(), cells)
    there, _ = _pull(leap, cells)
    return leap if there >= value else twice
