"""Taking a package in: all of its good rows in one transaction, every bad value told.

The order of files is the order in which they hang on each other.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress

from lightwatch.errors import Conflict, NotUnderstood
from lightwatch.nights import latest_plausible
from lightwatch.observations.absent import WITHOUT, make_circuits
from lightwatch.observations.batch import Batch, Context
from lightwatch.observations.checks import CHECKS
from lightwatch.observations.dating import dated
from lightwatch.observations.keeping import Intake, Tell, good_rows, keep, keys_of
from lightwatch.observations.missing import Answer, settle
from lightwatch.observations.optional import can_do_without, why_rejected
from lightwatch.observations.outcome import Count, Outcome, Reject
from lightwatch.observations.package import Package
from lightwatch.observations.past import HISTORY, take_in_history
from lightwatch.observations.rules import Problem, problems, read_times
from lightwatch.observations.tables import Rows
from lightwatch.observations.tagged import NAMING, name_by_tag
from lightwatch.store import Store, Writer
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

_SELDOM_NAMED = {"components", "repairs", "sightings", "weather", "stock"}
"""Files whose rows no other file refers to, but for ``repairs.supersedes``."""

TOO_MANY = 0.1
"""More of a file refused than this is no few bad rows, but a file misread."""


class _TakenBack(Exception):
    """Ends a transaction of which nothing is to be kept."""


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
    partial: bool = True,
    check: bool = False,
    answers: Mapping[str, Answer] | None = None,
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
        The time [microseconds, UTC].
    said_by
        Who loads it.
    strict
        Any bad value, and nothing is loaded.
    partial
        Load the good rows of a file though more than ``TOO_MANY`` of it are refused;
        else nothing is loaded then.
    check
        Judge everything and change nothing.
    answers
        What became of lights that the export no longer has.
    tell
        Called with progress.

    Raises
    ------
    Conflict
        It is a package of another place than the store's.
    NotUnderstood
        A file cannot be read as a table, an answer does not fit, or the package was
        made on a day that is still to come.
    """
    _check_created(package, now)
    outcome = Outcome(checked=check)
    with suppress(_TakenBack), store.writing() as writer:
        newest = _newest(writer, package, now)
        older = newest is not None and newest > package.created
        load_id = writer.begin_load(now, package.created, package.place, said_by)
        intake = _begun(writer, package, outcome, load_id, said_by, older, tell)
        intake.context.strict = strict
        _take_in(intake, dict(answers or {}))
        outcome.refused = bool(strict and outcome.rejects)
        outcome.refused |= not partial and bool(outcome.mostly_refused(TOO_MANY))
        if outcome.refused or check:
            raise _TakenBack
        if outcome.brought_nothing and (older or newest == package.created):
            writer.forget_load(load_id)
    if outcome.refused and not check:
        outcome.take_back()
    return outcome


def _check_created(package: Package, now: int) -> None:
    if package.created > latest_plausible(now):
        made, today = (package.clock.written(at) for at in (package.created, now))
        raise NotUnderstood(
            f"{package.folder}: created {made} lies ahead of this machine's clock "
            f"({today}); put created right, or the clock; nothing was loaded"
        )


def _newest(writer: Writer, package: Package, now: int) -> int | None:
    """Return when the newest export on record was made; refuse another place's."""
    earlier, name = writer.loads(), package.place["name"]
    if earlier and earlier[-1].place["name"] != name:
        raise Conflict(
            f"{package.folder} is of {name!r}, the store of "
            f"{earlier[-1].place['name']!r}; nothing was loaded"
        )
    latest = latest_plausible(now)
    known = (one.created for one in earlier if one.created <= latest)
    return max(known, default=None)


def _begun(
    writer: Writer,
    package: Package,
    outcome: Outcome,
    load_id: int,
    said_by: str,
    is_older: bool,
    tell: Tell,
) -> Intake:
    context = Context(package.clock, package.created)
    on_record = {name: writer.keys(name) for name in ORDER}
    for name in ORDER:
        context.keys[name] = on_record[name]
        if not on_record[name] and not package.has(name):
            context.absent.add(name)
            if name in WITHOUT:
                outcome.absent.append(name)
    context.patrol_recorded = writer.latest("patrols", "patrol_id", "recorded")
    context.keys["patrols"] = set(context.patrol_recorded)
    context.section_circuit = writer.column("sections", "circuit_id")
    context.fed_by = writer.column("sections", "upstream_section_id")
    fresh = {name: not keys for name, keys in on_record.items()}
    return Intake(
        package, writer, context, outcome, load_id, said_by, is_older, fresh, tell
    )


def _take_in(intake: Intake, answers: dict[str, Answer]) -> None:
    package, context = intake.package, intake.context
    for name in ORDER:
        if package.has(name):
            _take_in_file(intake, resources()[name], answers)
    if package.has(HISTORY):
        patrols = context.patrol_recorded
        take_in_history(intake.writer, package, intake.load_id, patrols)


def _batches(intake: Intake, resource: Resource) -> Iterator[Rows]:
    at_once = None if resource.name in _WHOLE else _AT_ONCE
    batches = intake.package.rows(resource, at_once)
    first = next(batches, None)
    if first is None:
        return
    if "duplicate_of" in first.columns:  # an original may stand after its duplicate
        from lightwatch.observations.rewriting import joined

        first = joined([first, *batches])
    yield first
    yield from batches


def _take_in_file(
    intake: Intake, resource: Resource, answers: dict[str, Answer]
) -> None:
    count = intake.outcome.counts[resource.name] = Count()
    seen: set[str] = set()
    here: set[str] = set()
    corrections: list[tuple[int, str]] = []
    for rows in _batches(intake, resource):
        if resource.name == "lights":
            settle(intake, rows, answers)
        if resource.name == "circuits" and not intake.is_older:
            here.update(rows.columns["circuit_id"])
        batch = _judged(intake, resource, rows)
        good = good_rows(intake, batch, seen)
        bad, named = batch.bad, batch.rows.columns.get("supersedes", ())
        corrections += [
            (rows.lines[i], text)
            for i, text in enumerate(named)
            if text and i not in bad
        ]
        _note(intake, batch, count)
        keep(intake, batch, good, count)
        _remember(intake.context, batch, good, seen)
        intake.tell(resource.name, count.read)
    _lost_corrections(intake, corrections, seen)
    if here:
        gone = intake.context.keys["circuits"] - here
        intake.outcome.missing_circuits = sorted(gone)


def _judged(intake: Intake, resource: Resource, rows: Rows) -> Batch:
    context = intake.context
    clock, columns = context.clock, rows.columns
    name = resource.name
    tags = name_by_tag(intake, name, rows) if name in NAMING else {}
    times = read_times(resource, columns, clock)
    dates = dated(resource.name, columns, times, clock, context.patrol_recorded)
    keys = keys_of(resource, rows, context)
    batch = Batch(resource, rows, times, keys, *dates)
    for i, reason in tags.items():
        batch.warn(i, reason)
    for i, reason in rows.misshapen.items():
        batch.problems.append(Problem(i, "", "", reason))
    misread = rows.misread
    found = [
        Problem(i, column, columns[column][i], reason)
        for (i, column), reason in misread.items()
    ]
    found += [
        problem
        for problem in problems(resource, columns, clock, times)
        if (problem.index, problem.column) not in misread
    ]
    _blank_or_reject(batch, context, found)
    make_circuits(intake, batch)
    check = CHECKS.get(resource.name)
    if check:
        check(batch, context)
    return batch


def _blank_or_reject(batch: Batch, context: Context, found: list[Problem]) -> None:
    for one in found:
        if can_do_without(batch.resource, one.column) and not context.strict:
            batch.blank(context, one.index, one.column, one.reason)
        else:
            reason = why_rejected(batch.resource, one.column, one.reason)
            problem = Problem(one.index, one.column, one.value, reason)
            batch.problems.append(problem)


def _lost_corrections(
    intake: Intake, corrections: list[tuple[int, str]], seen: set[str]
) -> None:
    on_record = intake.context.keys["repairs"]
    for line, text in corrections:
        if text not in seen and text not in on_record:
            intake.outcome.counts["repairs"].warnings += 1
            intake.outcome.warnings.append(
                ("repairs", line, f"supersedes {text}, which is not in repairs")
            )


def _note(intake: Intake, batch: Batch, count: Count) -> None:
    name, lines = batch.resource.name, batch.rows.lines
    bad = batch.bad
    count.read += len(batch)
    count.rejected += len(bad)
    count.repeated += len(batch.repeats)
    count.unchanged += len(batch.repeats)
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
