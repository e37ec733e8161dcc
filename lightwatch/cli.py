"""The command line: thin verbs, each one question or one record.

Heavy libraries are imported inside the verbs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import getpass
import json
import sys
import time
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lightwatch.errors import LightwatchError

if TYPE_CHECKING:
    from lightwatch.observations.known import Known
    from lightwatch.store import Store

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Street-light records in; lives, rates and feed faults out.",
)

Db = Annotated[
    str | None,
    typer.Option("--db", metavar="URL", help="the store, as a database URL"),
]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of", metavar="T", help="a time, or a date: 00:00 local of that day"
    ),
]
Json = Annotated[
    bool, typer.Option("--json", help="print one JSON document and nothing else")
]


def _address(db: str | None) -> str:
    from lightwatch.settings import Settings

    return db or Settings().database_url


def _open(db: str | None, *, create: bool = False) -> Store:
    from lightwatch.store import open_store

    return open_store(_address(db), create=create)


def _known(db: str | None, as_of: str | None) -> Known:
    from lightwatch.errors import NotUnderstood
    from lightwatch.nights import LocalTime
    from lightwatch.observations.known import Known, default_as_of

    store = _open(db)
    if as_of is None:
        return Known(store, default_as_of(store))
    clock = LocalTime(store.place().place["timezone"])
    try:
        return Known(store, clock.instant(as_of))
    except NotUnderstood as error:
        raise typer.BadParameter(f"{as_of!r} {error}", param_hint="--as-of") from None


def _print_json(document: dict[str, Any]) -> None:
    json.dump(document, sys.stdout, ensure_ascii=False, indent=1, allow_nan=False)
    sys.stdout.write("\n")


def _now() -> int:
    return time.time_ns() // 1000


def _whoever() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


@app.command()
def load(
    folder: Annotated[Path, typer.Argument(metavar="DIR")],
    rejects: Annotated[Path, typer.Option(metavar="FILE")] = Path("rejects.csv"),
    strict: Annotated[
        bool, typer.Option("--strict", help="any bad row, and nothing is loaded")
    ] = False,
    mapping: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="how to read it, if it is no data package"),
    ] = None,
    db: Db = None,
    as_json: Json = False,
) -> None:
    """Load a utility's records: every good row, every bad value told."""
    from lightwatch.observations.intake import load as take_in
    from lightwatch.observations.package import Package
    from reports.loading import as_document, as_text

    if mapping:
        from lightwatch.observations.mapped import MappedPackage
        from lightwatch.observations.mapping import read_mapping

        package: Package = MappedPackage.through(folder, read_mapping(mapping))
    else:
        package = Package.open(folder)
    _check_writable(rejects)
    outcome = take_in(
        _open(db, create=True),
        package,
        now=_now(),
        said_by=_whoever(),
        strict=strict,
        tell=_progress,
    )
    outcome.write_rejects(rejects)
    if as_json:
        _print_json(as_document(outcome, rejects))
    else:
        print(as_text(outcome, rejects))
    if outcome.refused:
        raise LightwatchError(
            f"refused: {len(outcome.rejects)} bad values, nothing was loaded "
            f"(see {rejects})"
        )


def _check_writable(path: Path) -> None:
    try:
        path.open("a").close()
    except OSError as error:
        raise LightwatchError(f"{path} cannot be written ({error.strerror})") from None


@app.command("map-columns")
def map_columns(
    folder: Annotated[Path, typer.Argument(metavar="DIR")],
    out: Annotated[Path, typer.Option(metavar="FILE.toml")] = Path("mapping.toml"),
) -> None:
    """Look at a folder of any files and draft how to read them, to be corrected."""
    from lightwatch.errors import Conflict
    from lightwatch.observations.drafting import draft

    if out.exists():
        raise Conflict(f"{out} is there already (name another with --out FILE)")
    drafted = draft(folder)
    _write(out, drafted.text)
    print(f"{len(drafted.matched)} of 13 kinds of records found; ", end="")
    print(f'{drafted.questions} questions to answer: the lines with "?" in {out}')
    print(f"then: lightwatch load {folder} --mapping {out}")


def _progress(name: str, rows: int) -> None:
    print(f"{name}: {rows:,} rows", file=sys.stderr, flush=True)


@app.command()
def rates(
    by: Annotated[
        str, typer.Option(metavar="COLUMNS", help="kind,type,technology,model,…")
    ] = "kind,type",
    drawn: Annotated[
        bool, typer.Option("--drawn", help="also drawn towards all of the kind")
    ] = False,
    db: Db = None,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Say how fast each kind of component fails, with exact limits."""
    from lightwatch.lives import lives
    from lightwatch.rates import check_by
    from lightwatch.rates import rates as estimate
    from lightwatch.rates.thin import shrunk
    from lightwatch.register import Register
    from reports.answers import rates_document, rates_text

    known = _known(db, as_of)
    names = [name.strip() for name in by.split(",") if name.strip()]
    try:
        check_by(names)
    except LightwatchError as error:
        raise typer.BadParameter(str(error), param_hint="--by") from None
    rows = estimate(lives(Register(known)), names)
    written = known.clock.written(known.as_of)
    pulled = shrunk(rows) if drawn else None
    if as_json:
        _print_json(rates_document(written, rows, pulled))
    else:
        print(rates_text(written, rows, pulled))


@app.command("lives")
def life(
    backtest: Annotated[
        bool, typer.Option("--backtest", help="hold each past year's fit to the next")
    ] = False,
    pictures: Annotated[
        Path | None, typer.Option(metavar="DIR", help="write the pictures, SVG")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="of a Dask cluster to sum over lives on"),
    ] = None,
    db: Db = None,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Say how long each kind really lasts, and what the weather does to it."""
    from lightwatch.lives import lives
    from lightwatch.lives.exposure import month_of
    from lightwatch.rates.backtest import backtest as hold_against
    from lightwatch.rates.feed_history import feed_history
    from lightwatch.rates.life_models import life_models
    from lightwatch.rates.partitions import here, on_cluster
    from lightwatch.register import Register
    from reports import charts
    from reports import lives as said

    known = _known(db, as_of)
    data = lives(Register(known))
    written = known.clock.written(known.as_of)
    forecasts = hold_against(known) if backtest else None
    with on_cluster(scheduler) if scheduler else nullcontext(here) as keep:
        models = life_models(data, keep)
        if pictures is not None:
            pictures.mkdir(parents=True, exist_ok=True)
            first = int(month_of(known.opened))
            for name, drawn in charts.pictures(models, first, written).items():
                _write(pictures / name, drawn)
        if as_json:
            document = said.lives_document(written, models)
            if forecasts is not None:
                document["backtest"] = said.backtest_document(forecasts)
            _print_json(document)
            return
        parts = [said.lives_text(written, models)]
    parts.append(said.feeds_text(feed_history(data)))
    if forecasts is not None:
        parts.append(said.backtest_text(forecasts))
    print("\n\n".join(parts))


@app.command()
def outages(db: Db = None, as_of: AsOf = None, as_json: Json = False) -> None:
    """Say what is open: a light on its own, or a fault that several share."""
    from lightwatch.decisions.triage import outages as triage
    from lightwatch.lives import lives
    from lightwatch.register import Register
    from reports.outages import outages_document, outages_text

    known = _known(db, as_of)
    found = triage(lives(Register(known)))
    written = known.clock.written(known.as_of)
    if as_json:
        _print_json(outages_document(written, found))
    else:
        print(outages_text(written, found))


@app.command("map")
def draw(
    out: Annotated[Path, typer.Option(metavar="FILE.html")],
    db: Db = None,
    as_of: AsOf = None,
) -> None:
    """Draw the outage map: one file that opens with no network."""
    from lightwatch.decisions.triage import METHOD
    from lightwatch.decisions.triage import outages as triage
    from lightwatch.lives import lives
    from lightwatch.mapview import outage_map
    from lightwatch.register import Register

    known = _known(db, as_of)
    register = Register(known)
    page = outage_map(
        triage(lives(register)),
        register.standing,
        known.sections,
        known.circuits,
        known.roads,
        as_of=known.clock.at(known.as_of),
        place=known.place["name"],
        method=METHOD,
    )
    _write(out, page)


def _write(out: Path, text: str) -> None:
    try:
        out.write_text(text, "utf-8")
    except OSError as error:
        raise LightwatchError(f"{out} cannot be written ({error.strerror})") from None
    print(f"written to {out}", file=sys.stderr)


@app.command()
def export(
    folder: Annotated[Path, typer.Argument(metavar="DIR")], db: Db = None
) -> None:
    """Write the store as a data package that loads back to the same store."""
    from lightwatch.observations.export import export as write

    write(_open(db), folder)
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
    amend_light(_open(db), light, values, on=on, now=_now(), said_by=_whoever())
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
    store = _open(db, create=True)
    parameters = Parameters.large() if large else Parameters.city()
    simulate(parameters, seed=seed).write(out)
    package = Package.open(out)
    outcome = take_in(store, package, now=_now(), said_by=_whoever(), tell=_progress)
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
            help="the component worked on, none (nothing wrong) or made_safe; LIGHT "
            "may be left out where --circuit or --section says where",
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
    found: Annotated[str, typer.Option(metavar="SYMPTOM", help="on arrival")] = "",
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
    from lightwatch.observations.entry import (
        light_tagged,
        log_repair,
        new_key,
        not_ours,
        usual,
    )
    from lightwatch.words import resources
    from reports.outages import CAUTIONS

    store = _open(db)
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
    said = {name: text for name, text in given.items() if text}
    values = {**usual(what or where), **said}
    print(f"{CAUTIONS[0]} {CAUTIONS[-1]}", file=sys.stderr)
    if others := not_ours(store, light):
        print(f"warning: {others}", file=sys.stderr)
    logged = log_repair(store, values, now=_now(), said_by=crew or _whoever())
    kept = store.find("repairs", [logged.key])[logged.key]
    if as_json:
        record = {name: kept[name] or "" for name in resources()["repairs"].columns}
        already = {"repair_id": logged.key, "already": logged.already}
        _print_json({**already, "record": record})
        return
    place = light or section or circuit
    job = (kept["component"] or kept["cause"] or "").replace("_", " ")
    done = (kept["action"] or "").replace("_", " ")
    fit = f", {kept['fitted_model']}" if kept["fitted_model"] else ""
    was = " (on record already, nothing changed)" if logged.already else ""
    print(f"{logged.key}  {place}: {job} {done}{fit}, {kept['performed_at']}{was}")


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="address to listen on")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535)] = 8000,
    tls_cert: Annotated[
        Path | None, typer.Option(metavar="FILE", help="certificate, PEM", exists=True)
    ] = None,
    tls_key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="its key, PEM", exists=True)
    ] = None,
    db: Db = None,
) -> None:
    """Serve the first page and the JSON answers.

    A phone opens the page with the network gone only if it came by HTTPS (or from
    the phone's own localhost): give --tls-cert and --tls-key, or put a proxy that
    speaks HTTPS in front. By plain HTTP the page works with a signal only.
    """
    import uvicorn

    from api import create_app
    from lightwatch.settings import Settings

    if (tls_cert is None) != (tls_key is None):
        raise typer.BadParameter("--tls-cert and --tls-key go together")
    service = create_app(Settings(database_url=_address(db)))
    if tls_cert is None and host not in ("127.0.0.1", "localhost", "::1"):
        print(
            "warning: plain HTTP; phones need HTTPS for the page to work without a "
            "signal (--tls-cert, --tls-key)",
            file=sys.stderr,
        )
    uvicorn.run(
        service,
        host=host,
        port=port,
        ssl_certfile=tls_cert,
        ssl_keyfile=tls_key,
        log_level="warning",
    )


def main() -> None:
    """Run the command line; a person's mistake is one line, not a traceback."""
    try:
        app(standalone_mode=True)
    except LightwatchError as error:
        print(f"lightwatch: {error}", file=sys.stderr)
        sys.exit(1)


if __name__ == "__main__":
    main()
