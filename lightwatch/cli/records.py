"""Verbs that take records in and give them out again."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightwatch.cli.asking import (
    Db,
    Json,
    app,
    check_writable,
    now,
    open_at,
    print_json,
    whoever,
    write,
)
from lightwatch.errors import LightwatchError

if TYPE_CHECKING:
    from lightwatch.observations.outcome import Outcome
    from lightwatch.observations.package import Package
    from lightwatch.store import Store


@app.command()
def load(
    folder: Annotated[Path, typer.Argument(metavar="DIR")],
    rejects: Annotated[Path, typer.Option(metavar="FILE")] = Path("rejects.csv"),
    strict: Annotated[
        bool, typer.Option("--strict", help="any bad row, and nothing is loaded")
    ] = False,
    partial: Annotated[
        bool,
        typer.Option(
            "--partial", help="load the good rows though a tenth of a file is refused"
        ),
    ] = False,
    check: Annotated[
        bool, typer.Option("--check", help="judge everything, change nothing")
    ] = False,
    mapping: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="how to read it, if it is no data package"),
    ] = None,
    missing: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="what became of lights that are not in it any more"
        ),
    ] = None,
    db: Db = None,
    as_json: Json = False,
) -> None:
    """Load a utility's records: every good row, every bad value told."""
    from lightwatch.observations.intake import load as take_in
    from lightwatch.observations.missing import read_answers, write_missing
    from lightwatch.observations.package import Package as Standard
    from reports.loading import as_document, as_text

    if mapping:
        from lightwatch.observations.mapped import MappedPackage
        from lightwatch.observations.mapping import read_mapping

        if check:
            _check_mapping(folder, mapping)
        package: Package = MappedPackage.through(folder, read_mapping(mapping))
    else:
        package = Standard.open(folder)
    answers = read_answers(missing, package.clock) if missing else {}
    questions = missing or rejects.with_name("missing.csv")
    _check_not_other(rejects)
    check_writable(rejects)
    outcome = take_in(
        _store_to_check(db) if check else open_at(db, create=True),
        package,
        now=now(),
        said_by=whoever(),
        strict=strict,
        partial=partial,
        check=check,
        answers=answers,
        tell=_progress,
    )
    outcome.write_rejects(rejects)
    _tell_joins(package, rejects)
    if outcome.missing and not missing:
        write_missing(outcome.missing, questions)
    if as_json:
        print_json(as_document(outcome, rejects))
    else:
        print(as_text(outcome, rejects, questions))
    if outcome.refused:
        raise LightwatchError(_why_refused(outcome, rejects, strict=strict))


def _check_not_other(rejects: Path) -> None:
    """Refuse to write over anything but an earlier load's own lists."""
    from lightwatch.observations.joining import HEADER
    from lightwatch.observations.missing import COLUMNS
    from lightwatch.observations.outcome import REJECTS
    from lightwatch.observations.tables import refuse_other

    refuse_other(rejects, REJECTS)
    refuse_other(rejects.with_name(f"{rejects.stem}-joined.csv"), HEADER)
    refuse_other(rejects.with_name("missing.csv"), COLUMNS)


def _check_mapping(folder: Path, mapping: Path) -> None:
    """Say every open question, problem and unreadable value; refuse the first two."""
    from lightwatch.observations.checking import check_mapping

    checked = check_mapping(folder, mapping)
    if not checked.is_ready:
        raise LightwatchError("\n".join(["not ready to load:", *checked.lines]))
    for line in checked.values:
        print(line, file=sys.stderr)


def _tell_joins(package: Package, rejects: Path) -> None:
    """Say how rows of a mapping were joined to lights; write some to check by eye."""
    from lightwatch.observations.mapped import MappedPackage

    if not isinstance(package, MappedPackage):
        return
    sample = rejects.with_name(f"{rejects.stem}-joined.csv")
    check_writable(sample)
    for line in package.joins.told():
        print(line, file=sys.stderr)
    if package.joins.write(sample):
        print(f"some rows of each, to check by eye: {sample}", file=sys.stderr)


def _store_to_check(db: str | None) -> Store:
    """Open the store; where there is none yet, one that is gone when we are."""
    from lightwatch.errors import UnknownAsset
    from lightwatch.store import open_store

    try:
        return open_at(db)
    except UnknownAsset:
        return open_store("sqlite://", create=True)


def _why_refused(outcome: Outcome, rejects: Path, *, strict: bool) -> str:
    told = f"nothing was loaded (see {rejects})"
    if strict:
        return f"refused: {len(outcome.rejects)} bad values, {told}"
    from lightwatch.observations.intake import TOO_MANY

    files = ", ".join(outcome.mostly_refused(TOO_MANY))
    return f"refused: more than a tenth of {files}; {told}; --partial loads the rest"


@app.command("map-columns")
def map_columns(
    folder: Annotated[Path, typer.Argument(metavar="DIR")],
    out: Annotated[Path, typer.Option(metavar="FILE.toml")] = Path("mapping.toml"),
    named: Annotated[
        list[str] | None,
        typer.Option(
            "--as", metavar="FILE=KIND", help="what a file (or FILE:SHEET) holds"
        ),
    ] = None,
    again: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.toml",
            help="draft what this mapping only names; keep what it says",
        ),
    ] = None,
) -> None:
    """Look at a folder of any files and draft how to read them, to be corrected."""
    from lightwatch.errors import Conflict
    from lightwatch.observations.drafting import draft
    from lightwatch.observations.redrafting import as_said, written_by_hand

    said, kept = written_by_hand(again) if again else ({}, {})
    out = again or out
    if out.exists() and not again:
        raise Conflict(f"{out} is there already (name another with --out FILE)")
    drafted = draft(folder, {**said, **as_said(named or [])}, kept)
    if again:
        before = again.with_suffix(".before.toml")
        write(before, again.read_text("utf-8-sig"))
    write(out, drafted.text)
    found = ", ".join(drafted.matched) or "nothing"
    print(f"found: {found}")
    for file in drafted.not_taken:
        print(f"not recognised: {file}")
    if drafted.not_taken:
        print(
            f"  if one holds records, say which: lightwatch map-columns {folder} "
            f'--again {out} --as "{drafted.not_taken[0].split(",")[0]}=reports"'
        )
    print(f'{drafted.questions} questions to answer: the lines with "?" in {out}')
    print(f"then: lightwatch load {folder} --mapping {out}")


def _progress(name: str, rows: int) -> None:
    print(f"{name}: {rows:,} rows", file=sys.stderr, flush=True)


@app.command()
def export(
    folder: Annotated[Path, typer.Argument(metavar="DIR")], db: Db = None
) -> None:
    """Write the store as a data package that loads back to the same store."""
    from lightwatch.observations.export import export as write

    write(open_at(db), folder)
    print(f"written to {folder}", file=sys.stderr)


@app.command()
def amend(
    light: Annotated[str, typer.Argument(metavar="LIGHT")],
    changes: Annotated[list[str], typer.Argument(metavar="COLUMN=VALUE...")],
    on: Annotated[
        str | None, typer.Option(metavar="DATE", help="since when it stood so")
    ] = None,
    db: Db = None,
) -> None:
    """Correct a light's row from a date on: a tag, a circuit, a pole; history stays."""
    from lightwatch.errors import NotUnderstood
    from lightwatch.observations.amend import amend_light

    for change in changes:
        if "=" not in change:
            raise NotUnderstood(f"{change!r} is no correction (expected COLUMN=VALUE)")
    values = dict(change.split("=", 1) for change in changes)
    amend_light(open_at(db), light, values, on=on, now=now(), said_by=whoever())
    print(f"{light}: {', '.join(changes)} from {on or 'now'}", file=sys.stderr)


@app.command()
def demo(
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="where its data package goes")
    ] = Path("demo_package"),
    large: Annotated[
        bool, typer.Option("--large", help="300,000 lights and 1,000,000 repairs")
    ] = False,
    seed: Annotated[int, typer.Option(help="of the simulation")] = 1,
    db: Db = None,
) -> None:
    """Build the invented demo city, load it, and say what to try next."""
    from demo_city import Parameters, simulate
    from lightwatch.errors import Conflict
    from lightwatch.observations.intake import load as take_in
    from lightwatch.observations.package import Package

    if out.exists() and any(out.iterdir()):
        raise Conflict(f"{out} is not an empty folder (name another with --out DIR)")
    store = open_at(db, create=True)
    parameters = Parameters.large() if large else Parameters.city()
    simulate(parameters, seed=seed).write(out)
    package = Package.open(out)
    outcome = take_in(store, package, now=now(), said_by=whoever(), tell=_progress)
    lights = outcome.counts["lights"].loaded
    repairs = outcome.counts["repairs"].loaded
    option = f" --db {db}" if db else ""
    print(f"{package.place['name']}: {lights:,} lights, {repairs:,} repairs loaded.")
    print(f"lightwatch rates{option}          how fast each kind of part fails")
    print(f"lightwatch outages{option}        what is open, and what to test first")
    print(f"lightwatch map --out map.html{option}   where the outages are")


@app.command()
def repair(
    where: Annotated[
        str, typer.Argument(metavar="LIGHT", help="its tag: light or pole number")
    ],
    what: Annotated[
        str | None,
        typer.Argument(
            metavar="WHAT",
            help="the component worked on, none (nothing wrong), made_safe or tested "
            "(a test of voltage: --found or --volts); LIGHT may be left out where "
            "--circuit or --section says where",
        ),
    ] = None,
    fitted: Annotated[
        str, typer.Option(metavar="MODEL", help="fitted; several joined by +")
    ] = "",
    proven: Annotated[
        str, typer.Option(help="cover_test, seen_lit or not_proven")
    ] = "",
    cause: Annotated[
        str, typer.Option(help="what had failed  [default: the component]")
    ] = "",
    action: Annotated[
        str, typer.Option(help="[default: replaced; repaired for wiring and sections]")
    ] = "",
    found: Annotated[
        str,
        typer.Option(
            metavar="SYMPTOM",
            help="on arrival; of a test: live, dead or could_not_open",
        ),
    ] = "",
    volts: Annotated[str, typer.Option(metavar="V", help="measured")] = "",
    report: Annotated[
        str, typer.Option(metavar="ID", help="the report that it answers")
    ] = "",
    circuit: Annotated[str, typer.Option(metavar="ID")] = "",
    section: Annotated[str, typer.Option(metavar="ID")] = "",
    at: Annotated[
        str, typer.Option(metavar="T", help="when it was done  [default: now]")
    ] = "",
    made_safe: Annotated[
        bool, typer.Option("--made-safe", help="left safe but not working")
    ] = False,
    follow_up: Annotated[
        str, typer.Option(help="what must still happen, such as verify_at_night")
    ] = "",
    temporary_feed_until: Annotated[str, typer.Option(metavar="DATE")] = "",
    removed_model: Annotated[str, typer.Option(metavar="MODEL")] = "",
    removed_date_code: Annotated[
        str, typer.Option(metavar="YYYY-MM", help="as marked on the part taken off")
    ] = "",
    crew: Annotated[str, typer.Option()] = "",
    notes: Annotated[str, typer.Option()] = "",
    supersedes: Annotated[
        str, typer.Option(metavar="KEY", help="the record that this one corrects")
    ] = "",
    key: Annotated[
        str, typer.Option(help="makes a retry harmless  [default: a new one]")
    ] = "",
    db: Db = None,
    as_json: Json = False,
) -> None:
    """Log one repair: safe to send twice, corrected by a new record.

    The new component's life starts at once. `lightwatch repair P10006 photocontrol
    --fitted PX-41E --proven cover_test` says all that the usual job needs.
    """
    from lightwatch.decisions.cautions import CAUTIONS
    from lightwatch.observations.entry import (
        TESTED,
        light_tagged,
        log_repair,
        new_key,
        not_ours,
        usual,
        voltage_test,
    )
    from lightwatch.words import resources

    store = open_at(db)
    light = light_tagged(store, where) if what else ""
    given = {
        "light_id": light, "circuit_id": circuit, "section_id": section,
        "fitted_model": fitted, "proven": proven, "cause": cause, "action": action,
        "symptom_found": found, "volts": volts, "report_id": report,
        "performed_at": at, "made_safe": "yes" if made_safe else "",
        "follow_up": follow_up, "temporary_feed_until": temporary_feed_until,
        "removed_model": removed_model, "removed_date_code": removed_date_code,
        "crew": crew, "notes": notes, "supersedes": supersedes,
        "repair_id": key or new_key(),
    }  # fmt: skip
    if (what or where) == TESTED:
        implied, given["symptom_found"] = voltage_test(found, volts), ""
    else:
        implied = usual(what or where)
    said = {name: text for name, text in given.items() if text}
    values = {**implied, **said}
    print(f"{CAUTIONS[0]} {CAUTIONS[-1]}", file=sys.stderr)
    if others := not_ours(store, light):
        print(f"warning: {others}", file=sys.stderr)
    logged = log_repair(store, values, now=now(), said_by=crew or whoever())
    kept = store.find("repairs", [logged.key])[logged.key]
    if as_json:
        record = {name: kept[name] or "" for name in resources()["repairs"].columns}
        already = {"repair_id": logged.key, "already": logged.already}
        print_json({**already, "record": record})
        return
    place = light or section or circuit
    job = (kept["component"] or kept["cause"] or "").replace("_", " ")
    done = (kept["action"] or "").replace("_", " ")
    fit = f", {kept['fitted_model']}" if kept["fitted_model"] else ""
    was = " (on record already, nothing changed)" if logged.already else ""
    told = f"{job} {done}".strip()
    print(f"{logged.key}  {place}: {told}{fit}, {kept['performed_at']}{was}")
