"""Verbs that ask a question of the record."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from lightwatch.cli.asking import (
    AsOf,
    Db,
    Json,
    app,
    known_at,
    print_json,
    register_of,
    write,
)
from lightwatch.errors import LightwatchError


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
    from lightwatch.decisions.grounds import grounds
    from lightwatch.lives import lives
    from lightwatch.rates import check_by
    from lightwatch.rates import rates as estimate
    from lightwatch.rates.thin import shrunk
    from reports.answers import rates_document, rates_text
    from reports.grounds import document_on, with_grounds

    known = known_at(db, as_of)
    names = [name.strip() for name in by.split(",") if name.strip()]
    try:
        check_by(names)
    except LightwatchError as error:
        raise typer.BadParameter(str(error), param_hint="--by") from None
    register = register_of(known)
    rows, on = estimate(lives(register), names), grounds(register, "rates")
    written = known.clock.written(known.as_of)
    pulled = shrunk(rows) if drawn else None
    if as_json:
        print_json(document_on(rates_document(written, rows, pulled), on))
    else:
        print(with_grounds(rates_text(written, rows, pulled), on))


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
    known = known_at(db, as_of)  # first: it is read while Python gets ready

    from lightwatch.decisions.grounds import grounds
    from lightwatch.lives import lives
    from lightwatch.lives.exposure import month_of
    from lightwatch.rates.backtest import backtest as hold_against
    from lightwatch.rates.feed_history import feed_history
    from lightwatch.rates.growing import recurrence
    from lightwatch.rates.life_models import life_models
    from lightwatch.rates.partitions import here, on_cluster
    from reports import charts
    from reports import lives as said
    from reports.grounds import document_on, with_grounds
    from reports.noticing import recurrence_document, recurrence_text

    register = register_of(known)
    data, on = lives(register), grounds(register, "lives")
    written = known.clock.written(known.as_of)
    forecasts = hold_against(known) if backtest else None
    with on_cluster(scheduler) if scheduler else nullcontext(here) as keep:
        models = life_models(data, keep)
        if pictures is not None:
            pictures.mkdir(parents=True, exist_ok=True)
            first = int(month_of(known.opened))
            for name, drawn in charts.pictures(models, first, written).items():
                write(pictures / name, drawn)
        levels = (recurrence(data, level) for level in ("circuit", "light"))
        again = [one for one in levels if one]
        if as_json:
            document = said.lives_document(written, models)
            document["recurrence"] = recurrence_document(again)
            if forecasts is not None:
                document["backtest"] = said.backtest_document(forecasts)
            print_json(document_on(document, on))
            return
        parts = [said.lives_text(written, models)]
    parts.append(said.feeds_text(feed_history(data)))
    parts.append(recurrence_text(again))
    if forecasts is not None:
        parts.append(said.backtest_text(forecasts))
    print(with_grounds("\n\n".join(parts), on))


@app.command()
def repeats(
    map_to: Annotated[
        Path | None,
        typer.Option("--map", metavar="FILE.html", help="also draw them on a map"),
    ] = None,
    db: Db = None,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Say what fails again: lights, circuits, batches, repairs that did not hold."""
    known = known_at(db, as_of)  # first: it is read while Python gets ready

    from lightwatch.decisions.grounds import grounds
    from lightwatch.decisions.repeats import Repeats
    from lightwatch.lives import lives
    from reports.grounds import document_on, with_grounds
    from reports.repeats import repeats_document, repeats_text

    written = known.clock.written(known.as_of)
    register = register_of(known)
    on = grounds(register, "repeats")
    found = Repeats(lives(register))
    if map_to is not None:
        from lightwatch.mapview.again import again_map

        page = again_map(
            found,
            register.standing,
            known.sections,
            known.roads,
            as_of=written,
            place=str(known.place["name"]),
        )
        write(map_to, page)
    if as_json:
        print_json(document_on(repeats_document(written, found), on))
    else:
        print(with_grounds(repeats_text(written, found), on))


@app.command()
def report(
    name: Annotated[
        str,
        typer.Argument(
            metavar="NAME",
            help="monthly, repeats, batches, rebuild, reliability, photocontrols, "
            "patrol, warranty, energy, answers, or all",
        ),
    ],
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="page, CSV and XLSX go there")
    ],
    month: Annotated[
        str, typer.Option(metavar="YYYY-MM", help="of monthly and energy")
    ] = "",
    assume: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="your windows, costs and switching angle, TOML"
        ),
    ] = None,
    db: Db = None,
    as_of: AsOf = None,
) -> None:
    """Write a report that prints well: a page, and its tables as CSV and XLSX."""
    from lightwatch.decisions.assumptions import Assumptions, read_assumptions
    from lightwatch.errors import NotUnderstood, UnknownAsset
    from reports.papers import named, write_report

    try:
        wanted = named(name)
    except UnknownAsset as error:
        raise typer.BadParameter(str(error), param_hint="NAME") from None
    assumed = Assumptions() if assume is None else read_assumptions(assume)
    known = known_at(db, as_of)  # now: it is read while Python gets ready

    from reports.papers.desk import Desk

    desk = Desk(register_of(known), month, assumed)
    try:
        _ = desk.month
    except NotUnderstood as error:
        hint = "--month" if month else "--as-of"
        raise typer.BadParameter(str(error), param_hint=hint) from None
    for one in wanted:
        for path in write_report(one, desk, out):
            print(f"written to {path}", file=sys.stderr)


@app.command()
def outages(
    explain: Annotated[
        bool, typer.Option("--explain", help="print the rates that verdicts rest on")
    ] = False,
    calibrated: Annotated[
        bool,
        typer.Option(
            "--calibrated",
            help="correct probabilities by closed jobs of the last three years, if "
            "there are 200 and it helps; takes a while",
        ),
    ] = False,
    reliability: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.svg",
            help="draw what was said of closed jobs against what came",
        ),
    ] = None,
    db: Db = None,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Say what is open: a light on its own, or a fault that several share."""
    known = known_at(db, as_of)  # first: it is read while Python gets ready

    from lightwatch.decisions.triage import triaged
    from lightwatch.decisions.triage.calibration import calibration, closed_jobs
    from lightwatch.picture import Picture
    from reports.explaining import explained
    from reports.grounds import grounds_document, with_grounds
    from reports.outages import outages_document, outages_text
    from reports.reliability import reliability_svg, reliability_text

    picture = Picture(register_of(known))
    written, on = picture.written, picture.on("outages")
    notes = [explained(picture.triage.known)] if explain else []
    found = None
    if calibrated or reliability:
        triage = picture.triage
        jobs = closed_jobs(triage.register, triage.known)
        meant = calibration(jobs)
        notes.append(reliability_text(jobs, meant))
        if reliability:
            write(reliability, reliability_svg(jobs, meant))
        if calibrated:
            found = triaged(triage.corrected(meant))
    found = picture.outages if found is None else found
    if as_json:
        document = outages_document(written, found, picture.beside)
        print_json({**document, **grounds_document(on)})
        print("\n\n".join(notes), file=sys.stderr)
    else:
        wrong = picture.misdrawn if found else ()
        told = outages_text(written, found, wrong, picture.beside)
        said = with_grounds(told, on, keep=bool(found))
        print("\n\n".join([*notes, said]))


@app.command("map")
def draw(
    out: Annotated[Path, typer.Option(metavar="FILE.html")],
    db: Db = None,
    as_of: AsOf = None,
) -> None:
    """Draw the outage map: one file that opens with no network."""
    known = known_at(db, as_of)  # first: it is read while Python gets ready

    from lightwatch.decisions.triage import METHOD
    from lightwatch.mapview import outage_map
    from lightwatch.picture import Picture
    from reports.grounds import method_on

    picture = Picture(register_of(known))
    register = picture.register
    page = outage_map(
        picture.outages,
        register.standing,
        known.sections,
        register.circuits,
        known.roads,
        as_of=known.clock.at(known.as_of),
        place=known.place["name"],
        method=method_on(METHOD, picture.on("map")),
        far=picture.beside.far,
    )
    write(out, page)
