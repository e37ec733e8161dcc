"""How far the records of each kind reach.

That nothing failed in a month can only be said of a month in which repairs were being
recorded. Records of a kind run on until "now" as long as the silence since the last one
is no longer than a gap between two of them may be; after that they end.

Records that come at random leave one gap in eleven hundred longer than seven times the
mean (the exponential law: exp -7); days off and holidays leave gaps of up to a month.
So a longer silence than both is taken as an end. Where they ended in it is estimated as
the last record and one mean gap more, as the highest number of a series is from those
that were seen. These limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightwatch.kept import once
from lightwatch.nights import DAY

if TYPE_CHECKING:
    from lightwatch.observations.known import Known
    from lightwatch.register.register import Register

SILENT_DAYS = 30.0
"""So long may be a silence whatever the mean gap."""

SILENT_GAPS = 7.0
"""So many mean gaps may be a silence."""

UNSAID_CAUSES = ("", "luminaire", "other", "unknown")
"""Causes that do not say which part had failed."""

RECENT = 50
"""The mean gap is that between so many of the latest days with records."""

FEW = 5
"""Below so many days with records the opening of the register counts as one more."""

SEASON_DAYS = 92.0
"""A silence no longer than a season is over with the first record after it: few report
a light on a summer's night."""

RESUMED_DAYS = 10
"""After a longer one records have resumed once there were so many days with them."""

SHORT_HOLE = 0.1
"""A hole of at most this share of the whole time counts as watched once records have
resumed: rates come out lower by no more than that."""


@dataclass(frozen=True)
class Reach:
    """The instant up to which records of each kind are believed complete.

    None where none is on record; never later than ``register.as_of``, and equal to it
    where records run on until then.
    """

    repairs: int | None
    reports: int | None
    patrols: int | None
    weather: int | None


@once
def reach(register: Register) -> Reach:
    """Read off the records how far those of each kind reach."""
    known = register.known

    def until(happened: NDArray[np.float64]) -> int | None:
        return records_end(happened, known.opened, known.as_of)

    return Reach(
        until(known.repairs["happened"].to_numpy(float)),
        until(known.reports["happened"].to_numpy(float)),
        until(known.patrols["happened"].to_numpy(float)),
        until(known.weather["happened"].to_numpy(float)),
    )


@once
def _days_with(known: Known) -> dict[str, NDArray[np.float64]]:
    """Return the days with records of each kind [instants]."""
    kinds = {one.name: getattr(known, one.name) for one in fields(Reach)}
    return {
        kind: np.unique(np.floor(frame["happened"].to_numpy(float) / DAY)) * DAY
        for kind, frame in kinds.items()
    }


def later(whole: Register, as_of: int, grown: Collection[str]) -> Reach | None:
    """Return how far records reach a little later, when a few more have come.

    Parameters
    ----------
    whole
        What stood before.
    as_of
        Now [instant].
    grown
        The kinds of which some came since, at any time before now.

    Returns
    -------
    Reach or None
        None where that depends on the records that came.
    """
    before, ends = reach(whole), {}
    for kind, days in _days_with(whole.known).items():
        end: int | None = getattr(before, kind)
        new = [days, np.append(days, as_of)] if kind in grown else [days]
        runs = {records_end(one, whole.known.opened, as_of) == as_of for one in new}
        if runs != {end == whole.as_of}:
            return None
        ends[kind] = as_of if end == whole.as_of else end
    return Reach(**ends)


@once
def tells_causes(register: Register) -> bool:
    """Tell whether any repair says of a part, a feed or anything else that it failed.

    Where none does, failures cannot be told from parts replaced before their time.
    """
    said = register.known.repairs["cause"]
    return bool((~said.isin(UNSAID_CAUSES)).any())


def records_end(happened: NDArray[np.float64], opened: int, as_of: int) -> int | None:
    """Return the instant at which records end, ``as_of`` where they run on.

    A silence longer than ``SILENT_DAYS`` and ``SILENT_GAPS`` mean gaps is a hole, and
    records end where the first hole begins that they have not come back from. They
    have when ``RESUMED_DAYS`` days with records followed, or one where the hole is no
    longer than ``SEASON_DAYS``, and the hole is at most ``SHORT_HOLE`` of the time
    since the opening; it then counts as watched.

    Parameters
    ----------
    happened
        When what the records tell of happened [instants].
    opened
        When the register was opened [instant].
    as_of
        Now [instant].

    Returns
    -------
    int or None
        An instant; None where there are no records.
    """
    if not len(happened):
        return None
    days = np.unique(np.floor(happened / DAY))
    gap = np.append(np.diff(days), np.floor(as_of / DAY) - days[-1])
    usual = _mean_gaps(days, opened / DAY)
    after = np.arange(len(days))[::-1]
    whole = max(as_of / DAY - min(opened / DAY, days[0]), 1.0)
    season = gap <= np.maximum(SEASON_DAYS, 2 * SILENT_GAPS * usual)
    back = (after >= np.where(season, 1, RESUMED_DAYS)) & (gap <= SHORT_HOLE * whole)
    holes = np.flatnonzero((gap > np.maximum(SILENT_DAYS, SILENT_GAPS * usual)) & ~back)
    if not len(holes):
        return as_of
    last = happened[np.floor(happened / DAY) <= days[holes[0]]].max()
    return int(min(last + usual[holes[0]] * DAY, as_of))


def _mean_gaps(days: NDArray[np.float64], opened: float) -> NDArray[np.float64]:
    """Return for each day with records the mean gap between it and those before."""
    number = np.arange(len(days))
    back = np.maximum(number - RECENT, 0)
    gaps = np.maximum(number - back, 1)
    mean = (days - days[back]) / gaps
    since_opening = np.maximum(days - opened, 1.0) / (number + 1)
    return np.where(number < FEW, np.maximum(mean, since_opening), mean)
