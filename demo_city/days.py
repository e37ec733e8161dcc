"""Days since the register opened, and how they are written as local time.

Everything in the city happens at a time given in days (a float) after local midnight
of the day on which its register was opened; earlier times are negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Texts = NDArray[np.object_]
Columns = dict[str, NDArray[Any]]

YEAR_DAYS = 365.25
FIRST_HOUR, LAST_HOUR = 8.0, 16.5
SUNDAY = 6


@dataclass(frozen=True)
class Calendar:
    """The days between the opening of the register and the export.

    Parameters
    ----------
    opened_on
        First day of the register.
    created
        When the package was written; carries an offset.
    timezone
        IANA name of the zone.
    """

    opened_on: date
    created: datetime
    timezone: str

    @cached_property
    def end(self) -> float:
        """Time of the export [days]."""
        opened = datetime.combine(self.opened_on, datetime.min.time())
        return (self.created.replace(tzinfo=None) - opened) / timedelta(days=1)

    @cached_property
    def origin(self) -> np.datetime64:
        """Opening midnight, as numpy counts it."""
        return np.datetime64(self.opened_on.isoformat(), "D")

    def dates(self, times: Floats) -> NDArray[np.datetime64]:
        """Return the local dates of times [days]."""
        return self.origin + np.floor(times).astype("timedelta64[D]")

    def month(self, times: Floats) -> Ints:
        """Return months since January 1970 of times [days]."""
        months = self.dates(times).astype("datetime64[M]")
        return months.astype(np.int64)

    def year(self, times: Floats) -> Ints:
        """Return calendar years of times [days]."""
        return self.month(times) // 12 + 1970

    @cached_property
    def doubtful_hours(self) -> tuple[Floats, Floats]:
        """Start and end of the local hours that a clock change skips or repeats."""
        zone = ZoneInfo(self.timezone)
        opened = datetime.combine(self.opened_on, datetime.min.time())
        low, high = [], []
        for day in range(int(self.end) + 3):
            first = opened + timedelta(days=day)
            last = first + timedelta(days=1)
            if first.replace(tzinfo=zone).utcoffset() == (
                last.replace(tzinfo=zone).utcoffset()
            ):
                continue
            halves = [first + timedelta(minutes=30 * step) for step in range(48)]
            doubtful = [half for half in halves if _doubtful(half, zone)]
            low.append((doubtful[0] - opened) / timedelta(days=1))
            high.append(
                (doubtful[-1] + timedelta(minutes=30) - opened) / timedelta(days=1)
            )
        return np.array(low), np.array(high)

    def certain(self, times: Floats) -> Floats:
        """Move times [days] out of hours that a clock change skips or repeats."""
        low, high = self.doubtful_hours
        if not low.size:
            return times
        at = np.clip(np.searchsorted(low, times + 1e-9) - 1, 0, None)
        return np.where((times >= low[at]) & (times < high[at]), high[at], times)

    def moments(self, times: Floats) -> Texts:
        """Write times [days] as local YYYY-MM-DDThh:mm; not a number: blank."""
        known = np.isfinite(times)
        minutes = np.floor(self.certain(np.where(known, times, 0.0)) * 1440 + 1e-6)
        stamps = self.origin.astype("datetime64[m]") + minutes.astype("timedelta64[m]")
        written = np.datetime_as_string(stamps, unit="m").astype(object)
        written[~known] = ""
        return np.asarray(written, dtype=object)

    def days(self, times: Floats, unit: str = "D") -> Texts:
        """Write times [days] as YYYY-MM-DD (or YYYY-MM, YYYY); unknown: blank."""
        known = np.isfinite(times)
        dates = self.dates(np.where(known, times, 0.0)).astype(f"datetime64[{unit}]")
        written = np.datetime_as_string(dates).astype(object)
        written[~known] = ""
        return np.asarray(written, dtype=object)

    def evening(self, after: Floats, rng: np.random.Generator) -> Floats:
        """Return the first dark-hours moment of a night drawn for each time."""
        night = np.floor(after) + (18.5 + 6.5 * rng.beta(2, 3, after.size)) / 24
        return np.where(night > after, night, night + 1.0)

    def daytime(self, after: Floats, rng: np.random.Generator) -> Floats:
        """Return a daylight moment after each time."""
        day = np.floor(after) + rng.uniform(9.5, 15.5, after.size) / 24
        return np.where(day > after, day, day + 1.0)

    def working(self, times: Floats, rng: np.random.Generator) -> Floats:
        """Return working hours of the days of these times; Sunday's work is Monday's.

        The moment drawn may lie before the time given, on the same day.
        """
        day = np.floor(times)
        weekday = (self.dates(day).astype(np.int64) + 3) % 7
        day = np.where(weekday == SUNDAY, day + 1, day)
        return day + rng.uniform(FIRST_HOUR, LAST_HOUR, times.size) / 24


def _doubtful(local: datetime, zone: ZoneInfo) -> bool:
    first = local.replace(tzinfo=zone, fold=0).utcoffset()
    return first != local.replace(tzinfo=zone, fold=1).utcoffset()
