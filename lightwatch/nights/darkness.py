"""When it is dark: civil dusk to dawn, and how many hours a year lights burn.

A night is dated by its evening and lasts from one solar noon to the next, so that dusk
and dawn never fall into different nights, wherever the place and whatever its clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from lightwatch.errors import NotUnderstood
from lightwatch.nights.clock import DAY, SECOND, LocalTime
from lightwatch.nights.sun import CIVIL_DEG, HORIZON_DEG, elevation_deg

BURN_DEG = -3.0
"""Elevation of the sun at which photocontrols switch; about 20 minutes after sunset in
middle latitudes. Common practice, no source: your agreement may name another."""

_STEP = 600 * SECOND
_HALVINGS = 30


@dataclass(frozen=True)
class Place:
    """Where, and by which clock; longitude and latitude [deg]."""

    longitude: float
    latitude: float
    clock: LocalTime

    def __post_init__(self) -> None:
        if not (abs(self.longitude) <= 180 and abs(self.latitude) <= 90):
            raise NotUnderstood(
                f"{self.longitude}, {self.latitude} is no longitude and latitude"
            )


@dataclass(frozen=True)
class Darkness:
    """The time in a night, or in a day, for which the sun stays where it is wanted.

    Parameters
    ----------
    night
        Date of its evening, or of the day.
    begins, ends
        The time [instants]; both None where there is none.
    kind
        ``usual``; ``never`` (no such time that night); ``always`` (no end to it).
    extreme_deg
        The sun's lowest elevation of the night, or the day's highest [deg].
    """

    night: date
    begins: int | None
    ends: int | None
    kind: str
    extreme_deg: float

    @property
    def hours(self) -> float:
        """How long it lasts [h]; a clock change does not alter it."""
        if self.begins is None or self.ends is None:
            return 0.0
        return (self.ends - self.begins) / (3600 * SECOND)


def solar_noon(place: Place, day: date) -> int:
    """Return the mean solar noon nearest to noon by the clock of a day [instant]."""
    clock_noon = place.clock.instant(f"{day.isoformat()}T12:00")
    noon = round((0.5 - place.longitude / 360.0) * DAY)
    return noon + round((clock_noon - noon) / DAY) * DAY


def _crossing(place: Place, low: int, high: int, level_deg: float) -> int:
    """Return when the sun crosses an elevation between two instants, by halving."""
    at = np.array([low, high], dtype=np.int64)
    below = elevation_deg(at, place.latitude, place.longitude) < level_deg
    for _ in range(_HALVINGS):
        middle = (at[0] + at[1]) // 2
        is_below = (
            elevation_deg(np.array([middle]), place.latitude, place.longitude)[0]
            < level_deg
        )
        at[0 if is_below == below[0] else 1] = middle
    return int(at[1])


def _longest(wanted: NDArray[np.bool_]) -> tuple[int, int]:
    """Return the first and last index of the longest run that is wanted."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], wanted.astype(int), [0]])))
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest]) - 1


def _time_of(
    place: Place, day: date, start: int, level_deg: float, *, below: bool
) -> Darkness:
    at = start + np.arange(0, DAY + 1, _STEP, dtype=np.int64)
    seen = elevation_deg(at, place.latitude, place.longitude)
    wanted = seen < level_deg if below else seen >= level_deg
    extreme = float(seen.min() if below else seen.max())
    if not wanted.any():
        return Darkness(day, None, None, "never", extreme)
    if wanted.all():
        return Darkness(day, start, start + DAY, "always", extreme)
    first, last = _longest(wanted)
    begins, ends = int(at[first]), int(at[last])
    if first > 0:
        begins = _crossing(place, int(at[first - 1]), begins, level_deg)
    if last < len(at) - 1:
        ends = _crossing(place, ends, int(at[last + 1]), level_deg)
    return Darkness(day, begins, ends, "usual", extreme)


def darkness(place: Place, night: date, level_deg: float = CIVIL_DEG) -> Darkness:
    """Return civil dusk to dawn of the night that begins on an evening.

    At high latitudes there may be no such time (``never``: a summer night) or no end
    to it (``always``: polar night, from noon to noon).

    Parameters
    ----------
    place
        Where.
    night
        Date of its evening.
    level_deg
        Geometric elevation of the sun's centre below which it is dark [deg].

    Examples
    --------
    >>> graz = Place(15.6, 47.3, LocalTime("Europe/Vienna"))
    >>> found = darkness(graz, date(2025, 11, 10))
    >>> graz.clock.written(found.begins)[:16], graz.clock.written(found.ends)[:16]
    ('2025-11-10T17:00', '2025-11-11T06:23')
    """
    start = solar_noon(place, night)
    return _time_of(place, night, start, level_deg, below=True)


def daylight(place: Place, day: date, level_deg: float = HORIZON_DEG) -> Darkness:
    """Return sunrise to sunset of a day, from solar midnight to solar midnight."""
    start = solar_noon(place, day) - DAY // 2
    return _time_of(place, day, start, level_deg, below=False)


def burn_hours(place: Place, year: int, level_deg: float = HORIZON_DEG) -> float:
    """Return for how long a light burns in a calendar year of UTC [h].

    What a photocontrol that switches at an elevation keeps a lamp lit; it is the
    exposure where a component ages by burning.

    Parameters
    ----------
    place
        Where.
    year
        Which.
    level_deg
        Geometric elevation of the sun's centre at which it switches [deg].
    """
    utc = LocalTime("UTC")
    start, end = (utc.midnight(date(one, 1, 1)) for one in (year, year + 1))
    return float(Burning.between(place, start, end, level_deg).hours[-1])


@dataclass(frozen=True)
class Burning:
    """Hours for which a light burns, summed from the beginning of a time.

    Parameters
    ----------
    at
        Instants, ten minutes apart.
    hours
        Burnt by each [h].
    """

    at: NDArray[np.int64]
    hours: NDArray[np.float64]

    @classmethod
    def between(
        cls, place: Place, start: int, end: int, level_deg: float = HORIZON_DEG
    ) -> Burning:
        """Sum from one instant to another, at least ten minutes later.

        What a photocontrol that switches at an elevation of the sun keeps a lamp lit.
        """
        steps = max(-(-(end - start) // _STEP), 1)
        at = start + np.arange(0, steps + 1, dtype=np.int64) * _STEP
        under = level_deg - elevation_deg(at, place.latitude, place.longitude)
        first, second = under[:-1], under[1:]
        change = np.abs(first) + np.abs(second)
        share = np.where(
            (first > 0) == (second > 0),
            first > 0,
            np.maximum(first, second) / np.where(change > 0, change, 1.0),
        )
        hours = np.cumsum(share) * _STEP / (3600 * SECOND)
        return cls(at, np.concatenate([[0.0], hours]))

    def of(
        self, since: NDArray[np.float64], until: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the hours burnt from each instant to another [h]."""
        low, high = (np.interp(one, self.at, self.hours) for one in (since, until))
        return np.asarray(np.maximum(high - low, 0.0))
