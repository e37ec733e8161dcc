"""What a value must be: one set of rules for files, forms and commands.

The rules are the exchange format's own: type, range, list and what is required. They
are asked of columns, and each distinct text is judged once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime, read_date, read_partial_date
from lightwatch.words import Field, Resource

_NUMBER = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII)
_INTEGER = re.compile(r"[+-]?\d+", re.ASCII)

_PARTIAL_DATES = {"installed_on"}
"""Columns that are text to the format, and dates known to the day, month or year."""


@dataclass(frozen=True)
class Problem:
    """One bad value: which row of the batch, which column, why."""

    index: int
    column: str
    value: str
    reason: str


def _number(field: Field, text: str) -> str | None:
    pattern = _INTEGER if field.type == "integer" else _NUMBER
    if not pattern.fullmatch(text):
        kind = "a whole number" if field.type == "integer" else "a number"
        return f"is not {kind}"
    value = float(text)
    if not isfinite(value):
        return "is out of range"
    if field.minimum is not None and value < field.minimum:
        return f"is out of range (expected at least {field.minimum:g})"
    if field.maximum is not None and value > field.maximum:
        return f"is out of range (expected at most {field.maximum:g})"
    return None


def _listed(field: Field, text: str) -> str | None:
    if field.allowed is None or text in field.allowed:
        return None
    return f"is not in the list ({', '.join(sorted(field.allowed))})"


def _dated(read: Callable[[str], object], text: str) -> str | None:
    try:
        read(text)
    except NotUnderstood as error:
        return str(error)
    return None


def judge(field: Field, text: str, clock: LocalTime) -> str | None:
    """Say what is wrong with one value that is not blank; None if nothing is."""
    if field.name in _PARTIAL_DATES:
        return _dated(read_partial_date, text)
    match field.type:
        case "number" | "integer":
            return _number(field, text)
        case "date":
            return _dated(read_date, text)
        case "datetime":
            return _dated(clock.instant, text)
        case _:
            return _listed(field, text)


def _is_free(field: Field) -> bool:
    text = field.type == "string" and field.name not in _PARTIAL_DATES
    return text and field.allowed is None


def field_problems(
    field: Field, values: Sequence[str], clock: LocalTime
) -> Iterable[Problem]:
    """Yield what is wrong with a column's values."""
    bad: dict[str, str] = {}
    if field.required and "" in values:
        bad[""] = "is missing"
    if not _is_free(field):
        for text in set(values):
            reason = judge(field, text, clock) if text else None
            if reason:
                bad[text] = reason
    if not bad:
        return ()
    return (
        Problem(i, field.name, text, f"{field.name} {bad[text]}")
        for i, text in enumerate(values)
        if text in bad
    )


Times = dict[str, list[int | None]]
"""Column to its values as instants; None where blank or not understood."""


def read_times(
    resource: Resource, columns: Mapping[str, Sequence[str]], clock: LocalTime
) -> Times:
    """Read a batch's columns of times."""
    return {
        field.name: instants(columns[field.name], clock)
        for field in resource.fields
        if field.type == "datetime" and field.name in columns
    }


def problems(
    resource: Resource,
    columns: Mapping[str, Sequence[str]],
    clock: LocalTime,
    times: Times,
) -> list[Problem]:
    """List what is wrong with a batch's values, each by itself.

    Parameters
    ----------
    resource
        The file that the rows belong to.
    columns
        Columns of equal length; a column that is not there is blank in every row.
    clock
        Local time at the place.
    times
        Its columns of times, as :func:`read_times` reads them.
    """
    length = len(next(iter(columns.values()), ()))
    blank = [""] * length
    found: list[Problem] = []
    for field in resource.fields:
        if _understood(field, columns, times):
            continue
        if field.name in columns or field.required:
            found += field_problems(field, columns.get(field.name, blank), clock)
    return found


def _understood(
    field: Field, columns: Mapping[str, Sequence[str]], times: Times
) -> bool:
    values = times.get(field.name)
    if values is None:
        return False
    blank = columns[field.name].count("")
    return values.count(None) == blank and not (blank and field.required)


def instants(values: Sequence[str], clock: LocalTime) -> list[int | None]:
    """Read a column of times [instants]; None where blank or not understood."""
    try:
        return [clock.instant(text) if text else None for text in values]
    except NotUnderstood:
        return [_instant(text, clock) for text in values]


def _instant(text: str, clock: LocalTime) -> int | None:
    try:
        return clock.instant(text) if text else None
    except NotUnderstood:
        return None
