"""Taking a package in: all of its good rows in one transaction, every bad value told.

The order of files is the order in which they hang on each other.
"""

from __future__ import annotations

import gc
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from lightwatch.errors import Conflict
from lightwatch.observations.batch import Batch, Context
from lightwatch.observations.checks import CHECKS
from lightwatch.observations.dating import dated
from lightwatch.observations.outcome import Count, Outcome, Reject
from lightwatch.observations.package import Package
from lightwatch.observations.past import HISTORY, take_in_history
from lightwatch.observations.roads import COLUMNS as ROAD_COLUMNS
from lightwatch.observations.rules import Problem, problems, read_times
from lightwatch.observations.tables import Rows
from lightwatch.store import Change, Row, Store, Writer
from lightwatch.words import Resource, resources

ORDER = (
    "models",
    "stations",
    "circuits",
    "sections",
    "roads",
    "lights",
    "components",
    "reports",
    "repairs",
    "patrols",
    "sightings",
    "weather",
    "stock",
)
_AT_ONCE = 25_000
_WHOLE = {"lights", "sections"}
"""Files judged all at once: their rows are measured against each other."""

_NO_KEY = {
    "patrols": ("patrol_id", "road_id"),
    "sightings": ("patrol_id", "light_id", "seen_at"),
    "roads": ("road_id",),
}
_SELDOM_NAMED = {"components", "repairs", "sightings", "weather", "stock"}
"""Files whose rows no other file refers to, but for ``repairs.supersedes``."""


Tell = Callable[[str, int], None]
"""Called with a file's name and the rows read of it so far."""


@dataclass(frozen=True)
class _Intake:
    package: Package
    writer: Writer
    context: Context
    outcome: Outcome
    load_id: int | None
    now: int
    said_by: str
    is_older: bool
    fresh: dict[str, bool]
    tell: Tell


@contextmanager
def _no_rubbish() -> Iterator[None]:
    """Keep the collector of cycles from walking millions of rows that have none."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


@_no_rubbish()
def load(
    store: Store,
    package: Package,
    *,
    now: int,
    said_by: str,
    strict: bool = False,
    tell: Tell = lambda name, rows: None,
) -> Outcome:
    """Take a package in.

    Parameters
    ----------
    store
        Where to.
    package
        The package.
    now
        The instant from which changed rows count [microseconds, UTC].
    said_by
        Who loads it.
    strict
        Any bad row, and nothing is loaded.
    tell
        Called with progress.

    Raises
    ------
    Conflict
        It is a package of another place than the store's.
    NotUnderstood
        A file cannot be read as a table.
    """
    if strict:
        with store.writing() as writer:
            newest = _newest(writer, package)
            older = newest is not None and newest > package.created
            outcome = _take_in(writer, package, None, now, said_by, older, tell)
        if outcome.rejects:
            outcome.refused = True
            for count in outcome.counts.values():
                count.loaded = count.changed = 0
            return outcome
    with store.writing() as writer:
        newest = _newest(writer, package)
        older = newest is not None and newest > package.created
        load_id = writer.begin_load(now, package.created, package.place, said_by)
        outcome = _take_in(writer, package, load_id, now, said_by, older, tell)
        fresh = any(one.loaded or one.changed for one in outcome.counts.values())
        if not fresh and (older or newest == package.created):
            writer.forget_load(load_id)
    return outcome


def _newest(writer: Writer, package: Package) -> int | None:
    """Return when the newest export on record was made; refuse another place's."""
    earlier, name = writer.loads(), package.place["name"]
    if earlier and earlier[-1].place["name"] != name:
        raise Conflict(
            f"{package.folder} is of {name!r}, the store of "
            f"{earlier[-1].place['name']!r}; nothing was loaded"
        )
    return max((one.created for one in earlier), default=None)


def _take_in(
    writer: Writer,
    package: Package,
    load_id: int | None,
    now: int,
    said_by: str,
    is_older: bool,
    tell: Tell,
) -> Outcome:
    context = Context(package.clock, package.created)
    on_record = {name: writer.keys(name) for name in ORDER}
    for name in ORDER:
        context.keys[name] = on_record[name]
        if not on_record[name] and not package.has(name):
            context.absent.add(name)
    context.patrol_recorded = writer.latest("patrols", "patrol_id", "recorded")
    context.keys["patrols"] = set(context.patrol_recorded)
    context.section_circuit = writer.column("sections", "circuit_id")
    context.fed_by = writer.column("sections", "upstream_section_id")
    intake = _Intake(
        package,
        writer,
        context,
        Outcome(),
        load_id,
        now,
        said_by,
        is_older,
        {name: not keys for name, keys in on_record.items()},
        tell,
    )
    for name in ORDER:
        if package.has(name):
            _take_in_file(intake, resources()[name])
    if package.has(HISTORY) and load_id is not None:
        take_in_history(writer, package, load_id, context.patrol_recorded)
    return intake.outcome


def _batches(intake: _Intake, resource: Resource) -> Iterator[Rows]:
    at_once = None if resource.name in _WHOLE else _AT_ONCE
    return intake.package.rows(resource, at_once)


def _take_in_file(intake: _Intake, resource: Resource) -> None:
    count = intake.outcome.counts[resource.name] = Count()
    seen: set[str] = set()
    corrections: list[tuple[int, str]] = []
    for rows in _batches(intake, resource):
        batch = _judged(intake, resource, rows)
        good = _good(batch, seen)
        bad, named = batch.bad, batch.rows.columns.get("supersedes", ())
        corrections += [
            (rows.lines[i], text)
            for i, text in enumerate(named)
            if text and i not in bad
        ]
        _note(intake, batch, count)
        _keep(intake, batch, good, count)
        _remember(intake.context, batch, good, seen)
        intake.tell(resource.name, count.read)
    _lost_corrections(intake, corrections, seen)


def _judged(intake: _Intake, resource: Resource, rows: Rows) -> Batch:
    context = intake.context
    clock, columns = context.clock, rows.columns
    times = read_times(resource, columns, clock)
    dates = dated(resource.name, columns, times, clock, context.patrol_recorded)
    keys = _keys(resource, rows, context)
    batch = Batch(resource, rows, times, keys, *dates)
    for i, reason in rows.misshapen.items():
        batch.problems.append(Problem(i, "", "", reason))
    misread = rows.misread
    batch.problems += [
        Problem(i, column, columns[column][i], reason)
        for (i, column), reason in misread.items()
    ]
    batch.problems += [
        problem
        for problem in problems(resource, columns, clock, times)
        if (problem.index, problem.column) not in misread
    ]
    check = CHECKS.get(resource.name)
    if check:
        check(batch, context)
    return batch


def _lost_corrections(
    intake: _Intake, corrections: list[tuple[int, str]], seen: set[str]
) -> None:
    on_record = intake.context.keys["repairs"]
    for line, text in corrections:
        if text not in seen and text not in on_record:
            intake.outcome.counts["repairs"].warnings += 1
            intake.outcome.warnings.append(
                ("repairs", line, f"supersedes {text}, which is not in repairs")
            )


def _keys(resource: Resource, rows: Rows, context: Context) -> list[str]:
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


def _good(batch: Batch, seen: set[str]) -> list[int]:
    bad = batch.bad
    whole = not bad and len(set(batch.keys)) == len(batch)
    if whole and seen.isdisjoint(batch.keys):
        return list(range(len(batch)))
    here: set[str] = set()
    good = []
    for i, key in enumerate(batch.keys):
        if i in bad:
            continue
        if key in seen or key in here:
            batch.problems.append(
                Problem(i, _key_column(batch), key, "a second row with the same key")
            )
        else:
            here.add(key)
            good.append(i)
    return good


def _key_column(batch: Batch) -> str:
    return (batch.resource.key or _NO_KEY.get(batch.resource.name, ("light_id",)))[0]


def _note(intake: _Intake, batch: Batch, count: Count) -> None:
    name, lines = batch.resource.name, batch.rows.lines
    bad = batch.bad
    count.read += len(batch)
    count.rejected += len(bad)
    intake.outcome.rejects += sorted(
        (_reject(batch, problem) for problem in batch.problems),
        key=lambda reject: reject.row,
    )
    told = [(i, reason) for i, reason in batch.warnings if i not in bad]
    count.warnings += len(told)
    intake.outcome.warnings += [(name, lines[i], reason) for i, reason in told]


def _reject(batch: Batch, problem: Problem) -> Reject:
    """Tell a bad value as it stands in the file."""
    value, reason = problem.value, problem.reason
    theirs = batch.rows.theirs.get(problem.column)
    if theirs is not None:
        value = theirs.values[problem.index]
        if theirs.name != problem.column:
            reason = f"{reason} (column {theirs.name!r} in the file)"
    return Reject(
        batch.resource.name,
        batch.rows.lines[problem.index],
        batch.keys[problem.index],
        problem.column,
        value,
        reason,
    )


def _columns(intake: _Intake, batch: Batch, rows: list[int]) -> dict[str, list[Any]]:
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


def _keep(intake: _Intake, batch: Batch, good: list[int], count: Count) -> None:
    name = batch.resource.name
    if intake.fresh[name]:
        count.loaded += len(good)
        if intake.load_id is None:
            return
    columns = _columns(intake, batch, good)
    if not intake.fresh[name]:
        columns = _only_new(
            intake, name, columns, [batch.rows.lines[i] for i in good], count
        )
    if intake.load_id is not None:
        intake.writer.header(
            name, [c for c in batch.rows.columns if name != "roads" or c != "geometry"]
        )
        intake.writer.insert(name, columns)


def _only_new(
    intake: _Intake,
    name: str,
    columns: dict[str, list[Any]],
    lines: list[int],
    count: Count,
) -> dict[str, list[Any]]:
    compared = [column for column in columns if column not in _NOT_CONTENT]
    found = intake.writer.contents(name, columns["key"], compared)
    rows = zip(*(columns[column] for column in compared), strict=True)
    new = []
    for i, (key, row) in enumerate(zip(columns["key"], rows, strict=True)):
        old = found.get(key)
        if old is None:
            new.append(i)
        elif old == row:
            count.unchanged += 1
        elif intake.is_older:
            count.unchanged += 1
            count.warnings += 1
            reason = f"{key} differs, but in an older export; the newer row stays"
            intake.outcome.warnings.append((name, lines[i], reason))
        else:
            count.changed += 1
            _change(intake, name, {c: values[i] for c, values in columns.items()})
    count.loaded += len(new)
    return {c: [values[i] for i in new] for c, values in columns.items()}


_NOT_CONTENT = {"key", "happened", "recorded", "load_id"}


def _change(intake: _Intake, name: str, row: Row) -> None:
    if intake.load_id is not None:
        key = row.pop("key")
        change = Change(key, row, intake.now, intake.now, intake.said_by)
        intake.writer.replace(name, change)


def _remember(context: Context, batch: Batch, good: list[int], seen: set[str]) -> None:
    name = batch.resource.name
    keys = [batch.keys[i] for i in good]
    seen.update(keys)
    if name not in _SELDOM_NAMED:
        named = (
            keys if name != "patrols" else [batch.column("patrol_id")[i] for i in good]
        )
        context.keys[name].update(named)
        ids = batch.column("patrol_id") if name == "patrols" else batch.keys
        context.rejected.setdefault(name, set()).update(ids[i] for i in batch.bad)
    if name == "sections":
        circuits = batch.column("circuit_id")
        context.section_circuit.update((batch.keys[i], circuits[i]) for i in good)
    if name == "patrols":
        for i, patrol in zip(good, named, strict=True):
            at = batch.recorded[i]
            if at is not None:
                before = context.patrol_recorded.get(patrol, at)
                context.patrol_recorded[patrol] = max(at, before)
