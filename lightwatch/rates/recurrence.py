"""Repeated failures of the same thing: how many by an age, and with what limits.

The mean cumulative function is the mean number of failures by an age, of units that are
mended and go on. Its variance is taken between units, so that a unit that fails again
and again counts as one unit, not as independent failures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from lightwatch.errors import NotEnoughEvidence

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Histories:
    """Failures of units, each watched from an age to an age; checked at birth.

    Parameters
    ----------
    entry_age, exit_age
        Of each unit [years, or any unit of time]; failures count in (entry, exit].
    unit
        Of each failure, by position.
    age
        Of the unit at each failure.
    """

    entry_age: Floats
    exit_age: Floats
    unit: Ints
    age: Floats

    def __post_init__(self) -> None:
        if np.any(self.exit_age < self.entry_age):
            raise ValueError("a unit leaves before it enters")
        entry, leave = self.entry_age[self.unit], self.exit_age[self.unit]
        if np.any(self.age <= entry) or np.any(self.age > leave):
            raise ValueError("a failure lies outside its unit's time under watch")

    @property
    def units(self) -> int:
        """How many units were watched."""
        return int(self.exit_age.size)


def histories(
    exit_age: npt.ArrayLike,
    unit: npt.ArrayLike,
    age: npt.ArrayLike,
    entry_age: npt.ArrayLike = 0.0,
) -> Histories:
    """Return failure histories from plain lists.

    Parameters
    ----------
    exit_age, entry_age
        Of each unit.
    unit, age
        Of each failure: which unit, at what age.
    """
    leave = np.asarray(exit_age, dtype=np.float64)
    enter = np.broadcast_to(np.asarray(entry_age, dtype=np.float64), leave.shape)
    return Histories(
        enter.copy(),
        leave,
        np.asarray(unit, dtype=np.int64),
        np.asarray(age, dtype=np.float64),
    )


@dataclass(frozen=True)
class MeanCumulative:
    """Mean number of failures of a unit by each age, with limits."""

    age: Floats
    mean: Floats
    error: Floats
    low: Floats
    high: Floats
    at_risk: Ints
    failures: Ints
    watched_until: float
    """Greatest age at which a unit was watched."""

    def at(self, age: float) -> tuple[float, float, float]:
        """Return mean, low and high by an age; nothing has happened before the first.

        The mean stays as it was from the last failure to the end of the last watch.

        Raises
        ------
        NotEnoughEvidence
            No unit was watched at that age or later.
        """
        if age > self.watched_until:
            raise NotEnoughEvidence(
                f"nothing was watched at {age:g} (the last watch ends at "
                f"{self.watched_until:g})"
            )
        place = int(np.searchsorted(self.age, age, side="right")) - 1
        if place < 0:
            return 0.0, 0.0, 0.0
        return float(self.mean[place]), float(self.low[place]), float(self.high[place])


def _steps(history: Histories, age: Floats, at_risk: Floats, count: Ints) -> Floats:
    """Return by how much the variance grows at each age.

    A unit's own deviation is its failures over those at risk, less the mean's steps
    while it was watched; the variance is the sum of their squares. The deviations of
    all units sum to zero, so those at risk make up for those that left.
    """
    fall = count / at_risk**2
    fallen = np.concatenate([[0.0], np.cumsum(fall)])
    through = np.searchsorted(age, history.exit_age, side="right")
    since = np.searchsorted(age, history.entry_age, side="right")
    place = np.searchsorted(age, history.age)
    own = np.bincount(history.unit, 1 / at_risk[place], history.units)
    final = own - (fallen[through] - fallen[since])
    gone = np.bincount(through, final, age.size + 1)[: age.size]
    at, times, before = _failing(history, place, at_risk, fallen, since)
    cross = np.bincount(at, times * before, age.size)
    square = np.bincount(at, times**2, age.size)
    step = 2 * fall * np.cumsum(gone) + 2 * cross / at_risk
    step += square / at_risk**2 - 2 * count * fall / at_risk + at_risk * fall**2
    return np.asarray(step, dtype=np.float64)


def _failing(
    history: Histories, place: Ints, at_risk: Floats, fallen: Floats, since: Ints
) -> tuple[Ints, Floats, Floats]:
    """Return, of each unit and age at which it failed: where, how often, deviation."""
    order = np.lexsort((place, history.unit))
    unit, at = history.unit[order], place[order]
    part = 1 / at_risk[at]
    run = np.cumsum(part) - part
    begins = np.searchsorted(unit, unit)
    first = np.unique(unit * fallen.size + at, return_index=True)[1]
    times = np.diff(np.append(first, unit.size)).astype(np.float64)
    earlier = run[first] - run[begins[first]]
    return at[first], times, earlier - (fallen[at[first]] - fallen[since[unit[first]]])


def mean_cumulative(history: Histories, confidence: float = 0.95) -> MeanCumulative:
    """Estimate the mean cumulative number of failures by age.

    Parameters
    ----------
    history
        Units and their failures.
    confidence
        Of the two-sided limits, on the log of the mean.

    Returns
    -------
    MeanCumulative
        At each age at which something failed. A unit that leaves at the age of its
        failure is still at risk then.

    Raises
    ------
    NotEnoughEvidence
        Nothing failed.

    References
    ----------
    .. [1] W. B. Nelson, Technometrics 37 (1995), 147-157; the robust variance is that
       of J. F. Lawless, C. Nadeau, Technometrics 37 (1995), 158-168; from memory.
    """
    if history.age.size == 0:
        raise NotEnoughEvidence("nothing failed: there is no mean to follow")
    age = np.unique(history.age)
    entered = np.searchsorted(np.sort(history.entry_age), age, side="left")
    left = np.searchsorted(np.sort(history.exit_age), age, side="left")
    at_risk = (entered - left).astype(np.float64)
    count = np.bincount(np.searchsorted(age, history.age), minlength=age.size)
    mean = np.cumsum(count / at_risk)
    steps = _steps(history, age, at_risk, count.astype(np.int64))
    error = np.sqrt(np.maximum(np.cumsum(steps), 0.0))
    away = np.exp(float(ndtri(0.5 + confidence / 2)) * error / mean)
    return MeanCumulative(
        age,
        mean,
        error,
        mean / away,
        mean * away,
        at_risk.astype(np.int64),
        count.astype(np.int64),
        float(history.exit_age.max()),
    )
