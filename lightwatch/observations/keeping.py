"""Rows that were found good, put on record: new ones, changed ones, and repeats.

A row that a later export changed counts from when that export was made. What was
corrected here since then stands: the export did not know of it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from lightwatch.nights import latest_plausible
from lightwatch.observations.batch import Batch, Context
from lightwatch.observations.outcome import Count, Outcome
from lightwatch.observations.package import Package
from lightwatch.observations.roads import COLUMNS as ROAD_COLUMNS
from lightwatch.observations.rules import Problem
from lightwatch.observations.tables import Rows
from lightwatch.store import Change, Row, Writer
from lightwatch.words import Resource

_NO_KEY = {
    "patrols": ("patrol_id", "road_id"),
    "sightings": ("patrol_id", "light_id", "seen_at"),
    "roads": ("road_id",),
}
_NOT_CONTENT = {"key", "happened", "recorded", "load_id"}
_ABOUT_VERSIONS = ["effective", "version_recorded", "said_by"]

Tell = Callable[[str, int], None]
"""Called with a file's name and the rows read of it so far."""


@dataclass(frozen=True)
class Intake:
    """A package on its way into an open transaction."""

    package: Package
    writer: Writer
    context: Context
    outcome: Outcome
    load_id: int
    said_by: str
    is_older: bool
    """True if a newer export is on record."""
    fresh: dict[str, bool]
    """Resource to whether nothing of it was on record."""
    tell: Tell


def keys_of(resource: Resource, rows: Rows, context: Context) -> list[str]:
    """Return the primary key of each row, its parts joined by a bar."""
    if resource.name == "components":
        blank = [""] * len(rows.lines)
        holders = zip(
            rows.columns.get("light_id", blank),
            rows.columns.get("circuit_id", blank),
            rows.columns["kind"],
            strict=True,
        )
        keys = []
        for light, circuit, kind in holders:
            pair = light or circuit, kind
            context.nth[pair] = context.nth.get(pair, 0) + 1
            keys.append(f"{pair[0]}|{kind}|{context.nth[pair]}")
        return keys
    names = resource.key or _NO_KEY[resource.name]
    parts = [rows.columns[name] for name in names]
    if len(parts) == 1:
        return list(parts[0])
    return ["|".join(row) for row in zip(*parts, strict=True)]


def good_rows(intake: Intake, batch: Batch, seen: set[str]) -> list[int]:
    """Return the rows to keep: not bad, and the first with their key.

    A row that repeats an earlier one wholly is no more than that; one that has its key
    and differs is bad.
    """
    bad = batch.bad
    whole = not bad and len(set(batch.keys)) == len(batch)
    if whole and seen.isdisjoint(batch.keys):
        return list(range(len(batch)))
    here: dict[str, int] = {}
    again: list[tuple[int, int]] = []
    before: list[int] = []
    for i, key in enumerate(batch.keys):
        if i in bad:
            continue
        if key in seen:
            before.append(i)
        elif here.setdefault(key, i) != i:
            again.append((i, here[key]))
    asked = _given(batch)
    cells = [batch.rows.columns[name] for name in asked]
    same = {i for i, j in again if all(one[i] == one[j] for one in cells)}
    same |= _on_record(intake, batch, before) if before else set()
    for i in sorted({*before, *(i for i, _ in again)} - same):
        reason = "a second row with the same key"
        batch.problems.append(Problem(i, _key_column(batch), batch.keys[i], reason))
    batch.repeats = same
    return sorted(here.values())


def _given(batch: Batch) -> list[str]:
    """Return the columns in which a row must equal another to be a repeat of it.

    Where a mapping read them, the columns that it names: a cabinet that stands beside
    each of its lights is one.
    """
    known = set(batch.resource.columns or ROAD_COLUMNS)
    names = list(batch.rows.columns)
    return [name for name in names if name in known] if batch.rows.theirs else names


def _on_record(intake: Intake, batch: Batch, rows: list[int]) -> set[int]:
    """Return those of the rows that stand on record as they are."""
    known = set(batch.resource.columns or ROAD_COLUMNS)
    asked = [name for name in _given(batch) if name in known]
    if not batch.rows.theirs:
        asked.append("extra")
    columns = _columns(intake, batch, rows)
    found = intake.writer.contents(batch.resource.name, columns["key"], asked)
    cells = zip(*(columns[name] for name in asked), strict=True)
    pairs = zip(rows, columns["key"], cells, strict=True)
    return {i for i, key, row in pairs if found.get(key) == row}


def _key_column(batch: Batch) -> str:
    return (batch.resource.key or _NO_KEY.get(batch.resource.name, ("light_id",)))[0]


def _columns(intake: Intake, batch: Batch, rows: list[int]) -> dict[str, list[Any]]:
    known = set(batch.resource.columns or ROAD_COLUMNS)
    whole = len(rows) == len(batch)

    def picked(values: list[Any]) -> list[Any]:
        return values if whole else [values[i] for i in rows]

    columns: dict[str, list[Any]] = {
        name: [text or None for text in picked(values)]
        for name, values in batch.rows.columns.items()
        if name in known
    }
    further = [name for name in batch.rows.columns if name not in known]
    values = [picked(batch.rows.columns[name]) for name in further]
    columns["extra"] = [_extra(further, row) for row in zip(*values, strict=True)] or [
        None
    ] * len(rows)
    columns["key"] = picked(batch.keys)
    columns["happened"] = picked(batch.happened)
    columns["recorded"] = picked(batch.recorded)
    columns["load_id"] = [intake.load_id] * len(rows)
    return columns


def _extra(names: list[str], row: tuple[str, ...]) -> str | None:
    found = {name: text for name, text in zip(names, row, strict=True) if text}
    return json.dumps(found, ensure_ascii=False, sort_keys=True) if found else None


def keep(intake: Intake, batch: Batch, good: list[int], count: Count) -> None:
    """Put the good rows of a batch on record."""
    name = batch.resource.name
    columns = _columns(intake, batch, good)
    if intake.fresh[name]:
        count.loaded += len(good)
    else:
        columns = _only_new(intake, batch, columns, good, count)
    header = [c for c in batch.rows.columns if name != "roads" or c != "geometry"]
    intake.writer.header(name, header)
    intake.writer.insert(name, columns)


def _only_new(
    intake: Intake,
    batch: Batch,
    columns: dict[str, list[Any]],
    good: list[int],
    count: Count,
) -> dict[str, list[Any]]:
    name = batch.resource.name
    compared = [column for column in columns if column not in _NOT_CONTENT]
    asked = [*compared, *_ABOUT_VERSIONS]
    found = intake.writer.contents(name, columns["key"], asked)
    _leave_what_is_known(batch, columns, good, asked, found)
    rows = zip(*(columns[column] for column in compared), strict=True)
    new = []
    for i, (key, row) in enumerate(zip(columns["key"], rows, strict=True)):
        if key not in found:
            new.append(i)
            continue
        old, about = found[key][: len(compared)], found[key][len(compared) :]
        stays = _why_it_stays(intake, about)
        if old == row or stays:
            count.unchanged += 1
        else:
            count.changed += 1
            _change(intake, name, {c: values[i] for c, values in columns.items()})
        if old != row and stays:
            count.warnings += 1
            line = batch.rows.lines[good[i]]
            intake.outcome.warnings.append((name, line, f"{key} differs, {stays}"))
    count.loaded += len(new)
    return {c: [values[i] for i in new] for c, values in columns.items()}


def _leave_what_is_known(
    batch: Batch,
    columns: dict[str, list[Any]],
    good: list[int],
    asked: list[str],
    found: dict[str, tuple[Any, ...]],
) -> None:
    """Let what is on record stand where the export says something unreadable."""
    for place, i in enumerate(good if batch.blanked else ()):
        old = found.get(columns["key"][place])
        for name in batch.blanked.get(i, ()) if old else ():
            columns[name][place] = old[asked.index(name)] if old else None


def _why_it_stays(intake: Intake, about: Sequence[Any]) -> str:
    if intake.is_older:
        return "but in an older export; the newer row stays"
    since, recorded, said_by = about
    dated = max(since or 0, recorded or 0)
    if intake.package.created < dated <= latest_plausible():
        return f"but {said_by} corrected it after the export was made; that stays"
    return ""


def _change(intake: Intake, name: str, row: Row) -> None:
    """Let a row count from the export's time: as of that time it is what stands."""
    key, created = row.pop("key"), intake.package.created
    change = Change(key, row, created, created - 1, intake.said_by)
    intake.writer.replace(name, change)
