"""What a mapping must know beside names: what values settle, what is to be asked."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from lightwatch.errors import NotUnderstood
from lightwatch.observations.dates import FIGURES, date_turn, only_one_way
from lightwatch.observations.looking import Column
from lightwatch.observations.matching import Matched
from lightwatch.observations.source import CHOICES, ours, question_of
from lightwatch.observations.tables import spoken
from lightwatch.observations.tomltext import comment, quoted

ASKS = {
    "dates": "are the dates of the files day-first, month-first or serial?",
    "length": "in which unit are lengths?",
    "speed": "in which unit are speeds on roads?",
    "weather": "metric: deg C, mm, km/h; us: deg F, inches, mph",
    "crs": "which coordinate system are x and y in? such as EPSG:4326",
}

_PARTIAL = re.compile(r"\d{4}(-\d{2})?", re.ASCII)


@dataclass(frozen=True)
class Raised:
    """A question that a table raises: the columns, what settles it, what they show."""

    question: str
    columns: tuple[Column, ...]
    shape: bool = False

    @property
    def answer(self) -> str:
        """The answer that the values themselves give; "?" if they give none."""
        if self.question == "dates":
            return _order(self.columns)[0]
        if self.question == "crs" and not self.shape and _are_degrees(self.columns):
            return "EPSG:4326"
        return "?"

    @property
    def kind(self) -> str:
        """By which tables that ask alike are asked together."""
        if self.question == "dates":
            serial = all(column.has_serials for column in self.columns)
            return "serial" if serial else self.answer
        if self.question == "crs":
            return "shape" if self.shape else self.answer
        return ""


def _values(columns: Sequence[Column]) -> Counter[str]:
    values: Counter[str] = Counter()
    for column in columns:
        values += column.filled
    return values


def _order(columns: Sequence[Column]) -> tuple[str, str]:
    """Return the order of day and month that values can only have, and why."""
    if columns and all(column.has_serials for column in columns):
        return "?", "they look like a spreadsheet's serial dates"
    pairs = [found for text in _values(columns) if (found := FIGURES.fullmatch(text))]
    first = max((int(found[1]) for found in pairs), default=0)
    second = max((int(found[3]) for found in pairs), default=0)
    example = f"such as {pairs[0][0]}; " if pairs else ""
    if first > 12 and second > 12:
        return "?", f"{example}some can only be day-first, others only month-first"
    if first > 12:
        up = f"the first number goes up to {first}: it can only be day-first"
        return "day-first", f"{example}{up}"
    if second > 12:
        up = f"the second goes up to {second}: it can only be month-first"
        return "month-first", f"{example}{up}"
    return "?", f"{example}no value settles it"


def _numbers(columns: Sequence[Column]) -> list[float]:
    return [
        float(text.replace(",", "."))
        for text in _values(columns)
        if re.fullmatch(r"-?\d+([.,]\d+)?", text, re.ASCII)
    ]


def _are_degrees(columns: Sequence[Column]) -> bool:
    numbers = _numbers(columns)
    return bool(numbers) and min(numbers) >= -180 and max(numbers) <= 180


def _says(raised: Raised) -> str:
    """Say what the values themselves show, for a person to confirm."""
    if raised.shape:
        return "the file states none, or one that its numbers are not in"
    if raised.question == "dates":
        return _order(raised.columns)[1]
    numbers = _numbers(raised.columns)
    names = ", ".join(dict.fromkeys(column.name for column in raised.columns))
    span = f"{min(numbers):g} to {max(numbers):g}" if numbers else "no numbers"
    if raised.question == "crs":
        degrees = _are_degrees(raised.columns)
        like = "degrees" if degrees else "metres or feet of a projected system"
        return f"{names}: {span}, which looks like {like}"
    return f"{names}: {span}"


def _readable(text: str) -> bool:
    try:
        return bool(_PARTIAL.fullmatch(text) or only_one_way(text))
    except NotUnderstood:
        return False


def raised_by(matched: Matched) -> Iterator[Raised]:
    """Yield the questions that a table's columns raise."""
    mine: dict[str, list[Column]] = {}
    for name, found in matched.columns.items():
        question = question_of(ours(matched.resource.name)[name])
        own = spoken(found.column.name) == name and not found.time
        if question == "dates":
            if not all(map(_readable, found.column.filled)):
                mine.setdefault(question, []).append(found.column)
        elif question and not own:
            mine.setdefault(question, []).append(found.column)
    if matched.seen.shape and matched.seen.crs is None:
        mine.setdefault("crs", [])
    shape = bool(matched.seen.shape)
    for question, columns in mine.items():
        yield Raised(question, tuple(columns), shape and question == "crs")


def line_of(raised: Raised) -> str:
    """Write a question, or what the values have settled, as lines of the mapping."""
    name, says = raised.question, comment(_says(raised))
    if raised.answer != "?":
        return f"{name} = {quoted(raised.answer)}  # settled by the values: {says}"
    choices = f"  # {' | '.join(CHOICES[name])}" if name in CHOICES else ""
    return f"# {ASKS[name]}\n#   {says}\n{name} = {quoted('?')}{choices}"


def general(tables: Mapping[str, Matched]) -> tuple[list[str], dict[str, list[str]]]:
    """Ask once what all tables raise alike; what one raises apart is asked there."""
    raised: dict[tuple[str, str], dict[str, Raised]] = {}
    pooled = _pooled([one for matched in tables.values() for one in raised_by(matched)])
    for name, matched in tables.items():
        for one in raised_by(matched):
            kind = pooled.get(one.question, one.kind)
            kind = one.kind if one.kind in ("serial", "shape") else kind
            raised.setdefault((one.question, kind), {})[name] = one
    shared: list[str] = []
    apart: dict[str, list[str]] = {}
    for question in ASKS:
        kinds = {kind: found for (q, kind), found in raised.items() if q == question}
        usual = max(kinds, key=lambda kind: (kind != "shape", len(kinds[kind])),
                    default=None)  # fmt: skip
        for kind, found in kinds.items():
            if kind == usual and kind != "shape":
                every = [column for one in found.values() for column in one.columns]
                shared.append(line_of(Raised(question, tuple(every))))
                continue
            for name, one in found.items():
                apart.setdefault(name, []).append(line_of(one))
    return shared, apart


def _pooled(raised: Sequence[Raised]) -> dict[str, str]:
    """Return the order of dates, if one holds for the values of all tables together."""
    mine = [one for one in raised if one.question == "dates" and one.kind != "serial"]
    answer = _order([column for one in mine for column in one.columns])[0]
    return {"dates": answer} if mine and answer != "?" else {}


# The place ---------------------------------------------------------------------------

_HAPPENED = {"reports": ("received_at",), "repairs": ("performed_at",)}
_LATER = {
    "reports": ("closed_at",),
    "repairs": ("recorded_at",),
    "weather": ("date",),
    "patrols": ("started_at",),
    "sightings": ("seen_at",),
}
"""Columns by which the files may be newer than the newest repair or report."""


def _days(matched: Matched, name: str, order: str) -> Counter[str]:
    found = matched.columns.get(name)
    days: Counter[str] = Counter()
    turn = date_turn(order if order != "?" else "iso", day=True)
    for text, rows in (found.column.filled if found else Counter()).items():
        try:
            day = turn(text)
        except NotUnderstood:
            continue
        if re.fullmatch(r"(19[5-9]|20)\d*-\d\d-\d\d", day):
            days[day] += rows
    return days


def span_of(folder: Path, tables: Mapping[str, Matched]) -> tuple[str, str, bool]:
    """Say since when and until when the files tell of what happened.

    Returns
    -------
    str, str, bool
        The earliest day (the earliest few of a thousand aside) and the newest, and
        whether they are from repairs and reports; else both are of the files.
    """
    today = datetime.now(UTC).date()
    past = _past(tables, _HAPPENED, today)
    if past:
        newest_day = max([past[-1], *_past(tables, _LATER, today)[-1:]])
        return past[len(past) // 200], newest_day, True
    files = [folder / one.seen.file for one in tables.values()]
    newest = max((path.stat().st_mtime for path in files), default=None)
    day = datetime.fromtimestamp(newest, UTC).date() if newest else today
    return day.isoformat(), day.isoformat(), False


def _past(
    tables: Mapping[str, Matched], named: Mapping[str, tuple[str, ...]], today: date
) -> list[str]:
    """Return the days that columns hold, in order, those to come left out."""
    days: Counter[str] = Counter()
    for resource in named.keys() & tables.keys():
        matched = tables[resource]
        dated = [one for one in raised_by(matched) if one.question == "dates"]
        order = dated[0].answer if dated else "iso"
        for name in named[resource]:
            days += _days(matched, name, order)
    return sorted(day for day in days.elements() if day <= today.isoformat())


def place_lines(folder: Path, tables: Mapping[str, Matched]) -> list[str]:
    """Write what is known of the place."""
    first, last, known = span_of(folder, tables)
    created = (date.fromisoformat(last) + timedelta(days=known)).isoformat()
    why = (
        ("the earliest repair or report: check since when all are on record",
         "the day after the newest date in the files: check when they were exported")
        if known else
        ("no repair or report says: check since when every repair is on record",
         "when the files were saved: check when they were exported")
    )  # fmt: skip
    return [
        f"name = {quoted(folder.resolve().name)}  # guess: the folder's name",
        'timezone = "?"  # as in the IANA list, such as Europe/Vienna',
        f"opened_on = {quoted(first)}  # {why[0]}",
        f"created = {quoted(created)}  # {why[1]}",
        "# depot = { longitude = 15.63, latitude = 47.315 }  # where crews start",
    ]
