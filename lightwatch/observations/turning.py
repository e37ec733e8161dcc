"""Their values turned into ours: dates, numbers, units, codes, coordinates.

Nothing is guessed. A value that cannot be read as the mapping says is left as it is and
told, so that its row is rejected with the value as it stands in the file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.dates import Turn, date_turn
from lightwatch.observations.source import DATED, PARTIAL, Source, codes_of
from lightwatch.observations.texts import means_blank, part_of
from lightwatch.words import Field

METRES = {"m": 1.0, "ft": 0.3048, "km": 1000.0, "mi": 1609.344}
"""International foot and mile [m]; a US survey foot differs by 2 parts in a million."""

_KMH_PER_MPH = 1.609344
_MM_PER_INCH = 25.4

_COMMA = re.compile(r"([+-]?)(\d{1,3}(?:[.\s\u00a0\u202f']\d{3})+|\d+)?(?:,(\d+))?")
_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


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
    has_comma = source.decimal_comma and source.take.get(column.name) != "number"

    def turn(text: str) -> str:
        text = _decimal(text) if has_comma else text
        if scale and _PLAIN.fullmatch(text):
            return f"{scale(float(text)):.10g}"
        if column.type == "integer" and re.fullmatch(r"[+-]?\d+\.0+", text, re.ASCII):
            return text.split(".")[0]
        return text

    return turn


def turn_of(
    column: Field, source: Source, clock: LocalTime | None = None
) -> Turn | None:
    """Return how a column's texts are turned into ours; None: they are as they are."""
    if column.type in DATED or column.name in PARTIAL:
        return date_turn(
            source.reading.get("dates", "iso"),
            partial=column.name in PARTIAL,
            day=column.type == "date" or column.name in PARTIAL,
            clock=clock,
        )
    if column.type in ("number", "integer"):
        return number_turn(column, source)
    return None


def turned(
    column: Field,
    source: Source,
    values: Sequence[str],
    clock: LocalTime | None = None,
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
    clock
        Local time at the place; None: a time with an offset falls on the day written.

    Returns
    -------
    list[str], dict[int, str]
        Ours, and for each index that could not be read the reason.
    """
    turn = turn_of(column, source, clock)
    found: dict[str, str] = {}
    bad: dict[str, str] = {}
    for text in set(values):
        found[text] = _said(text, column, source)
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


def _said(text: str, column: Field, source: Source) -> str:
    """Return what a cell says: by its code, else the part of it, trimmed, by rules."""
    name, plain = column.name, text.strip()
    codes = source.codes.get(name, {})
    code = codes.get(text, codes.get(plain))
    allowed = codes_of(source.resource, column) or frozenset()
    if code is not None or plain in allowed:
        return plain if code is None else code
    if allowed and plain.casefold() in allowed:
        return plain.casefold()
    if means_blank(plain):
        rules = source.rules.get(name)
        return (rules.otherwise or "") if rules else ""
    if name in source.take:
        plain = part_of(source.take[name], plain)
    if name in source.trim:
        plain = source.trim[name](plain)
    if name in source.rules:
        ruled = source.rules[name](plain)
        plain = plain if ruled is None else ruled
    return plain
