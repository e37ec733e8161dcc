"""Local time at the place: what a clock on the wall there means.

An *instant* is a whole number of microseconds since 1970-01-01T00:00Z. A *night* is
dated by its evening and is over at noon of the next day.
"""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import UTC, date, datetime, time, timedelta
from time import time_ns
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from lightwatch.errors import NotUnderstood

SECOND = 1_000_000
DAY = 86_400 * SECOND
YEAR = int(365.25 * DAY)
"""Microseconds; a year here is the Julian year of 365.25 days."""

EARLIEST = -2_208_988_800 * SECOND
"""1900-01-01, UTC: nothing that is recorded happened before [instant]."""

_MINUTES = {f"{minute:02}": minute * 60 * SECOND for minute in range(60)}
_EPOCH = date(1970, 1, 1).toordinal()
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_TIME = re.compile(
    r"(\d{4}-\d{2}-\d{2})"
    r"(?:[T ]([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.(\d{1,9}))?)?"
    r"(Z|[+-](?:[01]\d|2[0-3]):?[0-5]\d)?)?",
    re.ASCII,
)
_PARTIAL = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?", re.ASCII)
_EPOCH_TIME = datetime(1970, 1, 1, tzinfo=UTC)
_EARLIEST = (date.min.toordinal() + 2 - _EPOCH) * DAY
_LATEST = (date.max.toordinal() - 2 - _EPOCH) * DAY


def latest_plausible(now: int | None = None) -> int:
    """Return the last instant that a record made by now can name: a day ahead.

    What is later was written by a wrong clock, or has a wrong digit.

    Parameters
    ----------
    now
        The time [instant]; None: as this machine's clock says.
    """
    return (_now() if now is None else now) + DAY


def _now() -> int:
    return time_ns() // 1000


def _offset(text: str) -> int:
    if text == "Z":
        return 0
    hours, minutes = int(text[1:3]), int(text[-2:])
    return (-1 if text[0] == "-" else 1) * (hours * 60 + minutes) * 60 * SECOND


def read_date(text: str) -> date:
    """Read a day written YYYY-MM-DD.

    Raises
    ------
    NotUnderstood
        It is written another way, or there is no such day.
    """
    if not _DATE.fullmatch(text):
        raise NotUnderstood("is not a date (expected YYYY-MM-DD)")
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NotUnderstood("is an impossible date") from None


def read_partial_date(text: str) -> tuple[date, date]:
    """Read a date known to the day, month or year; return its first and last day.

    Raises
    ------
    NotUnderstood
        It is written another way, or there is no such day.

    Examples
    --------
    >>> [day.isoformat() for day in read_partial_date("2016-02")]
    ['2016-02-01', '2016-02-29']
    """
    if not _PARTIAL.fullmatch(text):
        raise NotUnderstood("is not a date (expected YYYY-MM-DD, YYYY-MM or YYYY)")
    try:
        if len(text) == 10:
            day = date.fromisoformat(text)
            return day, day
        if len(text) == 7:
            first = date.fromisoformat(text + "-01")
            return first, first.replace(day=monthrange(first.year, first.month)[1])
        year = int(text)
        return date(year, 1, 1), date(year, 12, 31)
    except ValueError:
        raise NotUnderstood("is an impossible date") from None


class LocalTime:
    """The clock of one place.

    Examples
    --------
    >>> clock = LocalTime("Europe/Vienna")
    >>> clock.written(clock.instant("2025-10-01"))
    '2025-10-01T00:00:00+02:00'
    >>> clock.is_odd("2025-10-26T02:30"), clock.is_odd("2025-10-26T03:30")
    (True, False)
    """

    def __init__(self, zone: str) -> None:
        try:
            self.zone = ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise NotUnderstood(
                f"timezone {zone!r} is unknown (expected an IANA name, "
                "such as Europe/Vienna)"
            ) from None
        self._days: dict[str, tuple[int, int | None]] = {}
        self._hours: dict[str, int] = {}

    def _day(self, text: str) -> tuple[int, int | None]:
        """Return a day's first instant by UTC and its offset, None if it changes."""
        found = self._days.get(text)
        if found is None:
            day = read_date(text)
            around = [self._at_hour(day, hours) for hours in (-24, 0, 12, 24, 48)]
            offsets = {at.utcoffset() for at in around}
            (steady,) = offsets if len(offsets) == 1 else (None,)
            found = (
                (day.toordinal() - _EPOCH) * DAY,
                None if steady is None else steady // timedelta(microseconds=1),
            )
            self._days[text] = found
        return found

    def _at_hour(self, day: date, hours: int) -> datetime:
        wall = datetime.combine(day, time(0), self.zone)
        try:
            return wall + timedelta(hours=hours)
        except OverflowError:
            return wall

    def instant(self, text: str) -> int:
        """Read an ISO 8601 date or time; without an offset it is local [instant].

        A local time that a clock change skips or repeats is read as its first
        meaning.

        Raises
        ------
        NotUnderstood
            It is not ISO 8601, or there is no such day or hour.
        """
        if len(text) == 16:
            hour, minute = self._hours.get(text[:14]), _MINUTES.get(text[14:])
            if hour is not None and minute is not None:
                return hour + minute
        return self._read(text)

    def _read(self, text: str) -> int:
        match = _TIME.fullmatch(text)
        if match is None:
            raise NotUnderstood("is not a time (expected YYYY-MM-DDThh:mm)")
        day, hours, minutes, seconds, fraction, zone = match.groups()
        first, offset = self._day(day)
        at = first
        if hours is not None:
            at += (int(hours) * 3600 + int(minutes) * 60 + int(seconds or 0)) * SECOND
            if fraction:
                at += int(fraction[:6].ljust(6, "0"))
        if zone is not None:
            return at - _offset(zone)
        if offset is None:
            offset = self._first_meaning(at)
        elif len(text) == 16:
            self._hours[text[:14]] = at - offset - _MINUTES[text[14:]]
        return at - offset

    def _first_meaning(self, at: int) -> int:
        wall = (_EPOCH_TIME + timedelta(microseconds=at)).replace(tzinfo=self.zone)
        offset = wall.utcoffset() or timedelta()
        return offset // timedelta(microseconds=1)

    def is_odd(self, text: str) -> bool:
        """Tell whether a clock change skips or repeats this local time."""
        match = _TIME.fullmatch(text)
        if match is None or match.group(6) or not self.changes_on(match.group(1)):
            return False
        wall = datetime.fromisoformat(text).replace(tzinfo=self.zone)
        return wall.utcoffset() != wall.replace(fold=1).utcoffset()

    def midnight(self, day: date) -> int:
        """Return the first instant of a local day."""
        return self.instant(day.isoformat())

    def at(self, instant: int) -> datetime:
        """Return an instant as a local time with offset.

        The first and the last days of the calendar, from which no day leads on, are
        moved inside it.
        """
        within = min(max(instant, _EARLIEST), _LATEST)
        return (_EPOCH_TIME + timedelta(microseconds=within)).astimezone(self.zone)

    def written(self, instant: int) -> str:
        """Write an instant as RFC 3339 with the local offset."""
        return self.at(instant).isoformat()

    def night_over(self, instant: int) -> int:
        """Return the noon at which the night around an instant is over."""
        wall = self.at(instant)
        day = wall.date() + timedelta(days=1 if wall.hour >= 12 else 0)
        return self.instant(f"{day.isoformat()}T12:00")

    def day_over(self, instant: int) -> int:
        """Return the midnight that ends the local day of an instant."""
        return self.midnight(self.at(instant).date() + timedelta(days=1))

    def changes_on(self, day: str) -> bool:
        """Tell whether the clocks change on or around a day written YYYY-MM-DD."""
        try:
            return self._day(day)[1] is None
        except NotUnderstood:
            return False
