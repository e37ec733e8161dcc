"""Their values turned into ours: dates, numbers, units, codes, coordinates.

Nothing is guessed. A value that cannot be read as the mapping says is left as it is and
told, so that its row is rejected with the value as it stands in the file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta

from lightwatch.errors import NotUnderstood
from lightwatch.observations.mapping import DATED, PARTIAL, Source
from lightwatch.words import Field

Turn = Callable[[str], str]
"""A text of theirs to ours; refuses one that it cannot read."""

METRES = {"m": 1.0, "ft": 0.3048, "km": 1000.0, "mi": 1609.344}
"""International foot and mile [m]; a US survey foot differs by 2 parts in a million."""

_KMH_PER_MPH = 1.609344
_MM_PER_INCH = 25.4

_ISO = re.compile(r"\d{4}-\d{2}(-\d{2}([T ].*)?)?", re.ASCII)
_DAY = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})(?:[T ,]+(.+))?", re.ASCII)
_MONTH = re.compile(r"(\d{1,2})[./-](\d{4})", re.ASCII)
_CLOCK = re.compile(
    r"(\d{1,2})[:.](\d{2})(?:[:.](\d{2}))?\s*([ap])?\.?(?:m\.?)?", re.ASCII | re.I
)
_SERIAL = re.compile(r"\d+(\.\d+)?", re.ASCII)
_COMMA = re.compile(r"([+-]?)(\d{1,3}(?:[.\s\u00a0\u202f']\d{3})+|\d+)?(?:,(\d+))?")
_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def _clock(text: str) -> str:
    found = _CLOCK.fullmatch(text.strip())
    if not found:
        raise NotUnderstood(f"has a time of day {text!r} (expected hh:mm)")
    hours, half = int(found[1]), (found[4] or "").lower()
    if half:
        hours = hours % 12 + (12 if half == "p" else 0)
    return f"{hours:02}:{found[2]}" + (f":{found[3]}" if found[3] else "")


def _day(order: str, text: str) -> str:
    found = _DAY.fullmatch(text)
    if not found:
        shape = "DD.MM.YYYY" if order == "day-first" else "MM/DD/YYYY"
        raise NotUnderstood(f"is not a {order} date (expected {shape})")
    if len(found[4]) == 2:
        raise NotUnderstood("has a year of two digits (expected four)")
    first, second, year = int(found[1]), int(found[3]), int(found[4])
    day, month = (first, second) if order == "day-first" else (second, first)
    try:
        written = date(year, month, day).isoformat()
    except ValueError:
        raise NotUnderstood(f"is an impossible date when read {order}") from None
    return f"{written}T{_clock(found[5])}" if found[5] else written


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


def date_turn(order: str, *, partial: bool) -> Turn:
    """Return how to read dates in an order; ISO 8601 is plain in any.

    Examples
    --------
    >>> turn = date_turn("day-first", partial=True)
    >>> turn("3.4.2019 7:05"), turn("4/2019"), turn("2019"), turn("2019-04-03")
    ('2019-04-03T07:05', '2019-04', '2019', '2019-04-03')
    """

    def turn(text: str) -> str:
        if order == "iso" or _ISO.fullmatch(text):
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
        return _day(order, text)

    return turn


def _decimal(text: str) -> str:
    found = _COMMA.fullmatch(text)
    if not found or not (found[2] or found[3]):
        raise NotUnderstood("is not a number with a decimal comma")
    whole = re.sub(r"\D", "", found[2] or "0")
    return found[1] + whole + (f".{found[3]}" if found[3] else "")


def _scale(column: str, reading: Mapping[str, str]) -> Callable[[float], float] | None:
    if column == "length_m":
        per = METRES[reading.get("length", "m")]
        return None if per == 1 else lambda value: value * per
    if column == "speed_kmh" and reading.get("speed") == "mph":
        return lambda value: value * _KMH_PER_MPH
    if reading.get("weather") == "us":
        if column in ("tmin_c", "tmax_c"):
            return lambda value: (value - 32) / 1.8
        if column == "gust_kmh":
            return lambda value: value * _KMH_PER_MPH
        if column == "rain_mm":
            return lambda value: value * _MM_PER_INCH
    return None


def number_turn(column: Field, source: Source) -> Turn:
    """Return how to read a column of numbers: decimal sign, unit, whole numbers."""
    scale = None if source.is_ours(column.name) else _scale(column.name, source.reading)

    def turn(text: str) -> str:
        text = _decimal(text) if source.decimal_comma else text
        if scale and _PLAIN.fullmatch(text):
            return f"{scale(float(text)):.10g}"
        if column.type == "integer" and re.fullmatch(r"[+-]?\d+\.0+", text, re.ASCII):
            return text.split(".")[0]
        return text

    return turn


def turn_of(column: Field, source: Source) -> Turn | None:
    """Return how a column's texts are turned into ours; None: they are as they are."""
    if column.type in DATED or column.name in PARTIAL:
        order = source.reading.get("dates", "iso")
        return date_turn(order, partial=column.name in PARTIAL)
    if column.type in ("number", "integer"):
        return number_turn(column, source)
    return None


def turned(
    column: Field, source: Source, values: Sequence[str]
) -> tuple[list[str], dict[int, str]]:
    """Turn a column of theirs into ours.

    Parameters
    ----------
    column
        Ours.
    source
        The table it is from: its codes, dates and units.
    values
        Theirs.

    Returns
    -------
    list[str], dict[int, str]
        Ours, and for each index that could not be read the reason.
    """
    codes, turn = source.codes.get(column.name, {}), turn_of(column, source)
    found: dict[str, str] = {}
    bad: dict[str, str] = {}
    for text in set(values):
        plain = text.strip()
        found[text] = codes.get(text, codes.get(plain, plain))
        if turn and found[text]:
            try:
                found[text] = turn(found[text])
            except NotUnderstood as error:
                bad[text] = f"{column.name} {error}"
        elif column.allowed and found[text] and found[text] not in column.allowed:
            bad[text] = (
                f"{column.name} is not in the list ({', '.join(sorted(column.allowed))}"
                f"); add it to [{source.resource}.codes.{column.name}]"
            )
    wrong = ((i, text) for i, text in enumerate(values) if text in bad)
    return [found[text] for text in values], {i: bad[text] for i, text in wrong}
