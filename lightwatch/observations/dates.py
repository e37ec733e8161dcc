"""Dates and times as people write them, into ISO 8601.

What can be read in one way only is read without being told: years first, names of
months, seconds and milliseconds since 1970. Days and months in figures, and a
spreadsheet's days, are read as the mapping says.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime

Turn = Callable[[str], str]
"""A text of theirs to ours; refuses one that it cannot read."""

ISO = re.compile(
    r"\d{4}-\d\d(-\d\d([T ]\d\d:\d\d(:\d\d(\.\d{1,9})?)?(Z|[+-]\d\d:?\d\d)?)?)?",
    re.ASCII,
)
YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})(?:[T ,]+(.+))?", re.ASCII)
FIGURES = re.compile(
    r"(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})(?:[T ,]+(.+))?", re.ASCII
)
RUN_TOGETHER = re.compile(
    r"((?:19|20)\d\d)(\d\d)(\d\d)(?:(\d\d)(\d\d)(\d\d)?)?", re.ASCII
)
NAMED = re.compile(
    r"(?:(\d{1,2})[ .-]+([A-Za-z]{3,9})|([A-Za-z]{3,9})[ .]+(\d{1,2}))"
    r"[ .,-]+(\d{4})(?:[T ,]+(.+))?",
    re.ASCII,
)
SINCE_1970 = re.compile(r"\d{10}|\d{12,13}", re.ASCII)
"""Seconds of 2001 to 2286, milliseconds of 1973 to 2286."""

_MONTH = re.compile(r"(\d{1,2})[./-](\d{4})", re.ASCII)
_CLOCK = re.compile(
    r"(\d{1,2})[:.](\d{2})(?:[:.](\d{2})([.,]\d+)?)?\s*(?:([ap])\.?m\.?)?"
    r"\s*(Z|UTC|GMT|[+-]\d\d(?::?\d\d)?)?",
    re.ASCII | re.I,
)
_SERIAL = re.compile(r"\d+(\.\d+)?", re.ASCII)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov",
           "dec")  # fmt: skip


def _clock(text: str) -> str:
    found = _CLOCK.fullmatch(text.strip())
    if not found:
        raise NotUnderstood(f"has a time of day {text!r} (expected hh:mm)")
    hours, half = int(found[1]), (found[5] or "").lower()
    if half:
        hours = hours % 12 + (12 if half == "p" else 0)
    seconds = f":{found[3]}" if found[3] else ""
    return f"{hours:02}:{found[2]}{seconds}{_offset(found[6] or '')}"


def _offset(text: str) -> str:
    if not text or text[0] not in "+-":
        return "+00:00" if text else ""
    return f"{text[:3]}:{text[-2:] if len(text) > 3 else '00'}"


def _written(year: str, month: str, day: str, clock: str | None, order: str) -> str:
    try:
        on = date(int(year), int(month), int(day)).isoformat()
    except ValueError:
        raise NotUnderstood(f"is an impossible date when read {order}") from None
    return f"{on}T{_clock(clock)}" if clock else on


def _in_figures(order: str, text: str) -> str:
    found = FIGURES.fullmatch(text)
    if not found:
        shape = "DD.MM.YYYY" if order == "day-first" else "MM/DD/YYYY"
        raise NotUnderstood(f"is not a {order} date (expected {shape})")
    if len(found[4]) == 2:
        raise NotUnderstood("has a year of two digits (expected four)")
    first, second = found[1], found[3]
    day, month = (first, second) if order == "day-first" else (second, first)
    return _written(found[4], month, day, found[5], order)


def _serial(first: datetime, text: str) -> str:
    """Read days since a spreadsheet's first day; before 1 March 1900 they are wrong."""
    if not _SERIAL.fullmatch(text) or float(text) < 61:
        raise NotUnderstood("is not a spreadsheet's serial date (expected days, > 60)")
    try:
        at = first + timedelta(seconds=round(float(text) * 86_400))
    except OverflowError:
        raise NotUnderstood("is out of range for a serial date") from None
    return written(at)


def written(at: datetime) -> str:
    """Write a time with no more than it says: a day if it is midnight."""
    if (at.hour, at.minute, at.second, at.tzinfo) == (0, 0, 0, None):
        return at.date().isoformat()
    return at.isoformat(timespec="seconds" if at.second else "minutes")


def only_one_way(text: str) -> str | None:
    """Read a date that can be read in one way only; None: it is none.

    Raises
    ------
    NotUnderstood
        There is no such day or hour.

    Examples
    --------
    >>> only_one_way("2005/01/01 06:00:00+00"), only_one_way("3-Apr-2019")
    ('2005-01-01T06:00:00+00:00', '2019-04-03')
    >>> only_one_way("1554249600000"), only_one_way("3/4/2019")
    ('2019-04-03T00:00:00+00:00', None)
    """
    if ISO.fullmatch(text):
        return text
    if found := YEAR_FIRST.fullmatch(text):
        return _written(found[1], found[3], found[4], found[5], "year-first")
    if found := NAMED.fullmatch(text):
        month = (found[2] or found[3])[:3].lower()
        if month in _MONTHS:
            number = str(_MONTHS.index(month) + 1)
            return _written(found[5], number, found[1] or found[4], found[6], "so")
    if found := RUN_TOGETHER.fullmatch(text):
        clock = ":".join(filter(None, found.groups()[3:])) or None
        return _written(found[1], found[2], found[3], clock, "year-first")
    if SINCE_1970.fullmatch(text):
        seconds = int(text) if len(text) == 10 else int(text) // 1000
        return datetime.fromtimestamp(seconds, UTC).isoformat()
    return None


def local_day(text: str, clock: LocalTime | None) -> str:
    """Return the day at the place of an ISO time; a day, month or year stays so."""
    if len(text) <= 10:
        return text
    if clock and (text.endswith("Z") or re.search(r"[+-]\d\d:?\d\d$", text[16:])):
        return clock.at(clock.instant(text)).date().isoformat()
    return text[:10]


def date_turn(
    order: str,
    *,
    partial: bool = False,
    day: bool = False,
    clock: LocalTime | None = None,
) -> Turn:
    """Return how to read a column of dates.

    Parameters
    ----------
    order
        What the mapping says: ``day-first``, ``iso``, ``spreadsheet-serial`` …
    partial
        A month or a year alone will do.
    day
        The column holds days: a time of the day beside one is left out.
    clock
        Local time at the place, by which a time with an offset falls on a day.

    Examples
    --------
    >>> turn = date_turn("day-first", partial=True)
    >>> turn("3.4.2019 7:05"), turn("4/2019"), turn("2019"), turn("2019-04-03")
    ('2019-04-03T07:05', '2019-04', '2019', '2019-04-03')
    """

    def read(text: str) -> str:
        if plain := only_one_way(text):
            return plain
        if order == "iso":
            return text
        if partial and re.fullmatch(r"(1[89]|2[01])\d\d", text, re.ASCII):
            return text
        month = _MONTH.fullmatch(text) if partial else None
        if month:
            return f"{month[2]}-{int(month[1]):02}"
        if order == "spreadsheet-serial":
            return _serial(datetime(1899, 12, 30), text)  # noqa: DTZ001 - a local day
        if order == "spreadsheet-serial-1904":
            return _serial(datetime(1904, 1, 1), text)  # noqa: DTZ001 - a local day
        return _in_figures(order, text)

    def turn(text: str) -> str:
        found = read(text)
        return local_day(found, clock) if day and ISO.fullmatch(found) else found

    return turn
