"""Verbs about patrols: plan one, and record what came back."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from lightwatch.cli.asking import (
    AsOf,
    Db,
    Json,
    app,
    known_at,
    now,
    open_at,
    print_json,
    register_of,
    whoever,
    write,
)


@app.command()
def patrol(
    night: Annotated[str, typer.Option(metavar="DATE", help="date of its evening")],
    crews: Annotated[int, typer.Option()] = 1,
    hours: Annotated[float, typer.Option(help="of each crew, depot to depot")] = 4.0,
    day: Annotated[
        bool, typer.Option("--day", help="by day, for lights that burn")
    ] = False,
    must: Annotated[str, typer.Option(metavar="IDS", help="lights or roads")] = "",
    closed: Annotated[str, typer.Option(metavar="ROADS")] = "",
    both_sides: Annotated[
        str, typer.Option(metavar="ROADS", help="too wide to see across")
    ] = "",
    seen_within: Annotated[
        float | None, typer.Option(metavar="DAYS", help="no street unseen for longer")
    ] = None,
    start: Annotated[str, typer.Option(metavar="HH:MM")] = "",
    look_kmh: Annotated[float, typer.Option()] = 25.0,
    improve: Annotated[
        float,
        typer.Option(metavar="S", help="search so long; Ctrl-C keeps the best"),
    ] = 20.0,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="sheet, map, GPX, calendar")
    ] = None,
    db: Db = None,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Plan tonight's patrol: the streets most worth driving, in order."""
    from lightwatch.decisions.grounds import grounds
    from lightwatch.decisions.patrol import Order, plan_patrol
    from lightwatch.decisions.triage import outages as triage
    from lightwatch.errors import NotUnderstood
    from lightwatch.lives import lives
    from lightwatch.nights import LocalTime, read_date
    from lightwatch.observations.known import Known, default_as_of
    from reports.grounds import grounds_document, with_grounds
    from reports.patrol import patrol_document, patrol_text

    try:
        evening = read_date(night)
    except NotUnderstood as error:
        raise typer.BadParameter(f"{night!r} {error}", param_hint="--night") from None
    if as_of is None:
        store = open_at(db)
        noon = LocalTime(store.place().place["timezone"]).instant(f"{night}T12:00")
        known = Known(store, min(noon, default_as_of(store))).ahead()
    else:
        known = known_at(db, as_of)

    def listed(text: str) -> tuple[str, ...]:
        return tuple(one.strip() for one in text.split(",") if one.strip())

    order = Order(
        evening, crews, hours, "day" if day else "night", must_visit=listed(must),
        closed=listed(closed), both_sides=listed(both_sides), starts=start,
        seen_within_days=seen_within, look_kmh=look_kmh,
    )  # fmt: skip
    register = register_of(known)
    lived, on = lives(register), grounds(register, "patrol")

    def told(gone: float, found: float) -> None:
        print(f"{gone:4.0f} s: worth {found:.2f}", file=sys.stderr, flush=True)

    plan = plan_patrol(lived, order, triage(lived), seconds=improve, tell=told)
    if out is not None:
        from reports.patrol_files import calendar, gpx
        from reports.patrol_map import patrol_map
        from reports.patrol_sheet import patrol_sheet

        place = str(known.place["name"])
        out.mkdir(parents=True, exist_ok=True)
        sheet = patrol_sheet(plan, known.lights, known.clock, place)
        write(out / "sheet.html", sheet)
        write(out / "map.html", patrol_map(plan, known.clock, place))
        write(out / "patrol.ics", calendar(plan, known.clock, place, now()))
        for number, crew in enumerate(plan.crews, 1):
            title = f"Patrol {night}, crew {number}"
            write(out / f"crew{number}.gpx", gpx(crew, title))
        document = patrol_document(plan, known.clock) | grounds_document(on)
        write(out / "plan.json", json.dumps(document, ensure_ascii=False, indent=1))
    if as_json:
        print_json(patrol_document(plan, known.clock) | grounds_document(on))
    else:
        said = patrol_text(plan, known.clock, known=not on.not_known)
        print(with_grounds(said, on, keep=True))


@app.command("patrol-done")
def patrol_done(
    key: Annotated[
        str, typer.Argument(metavar="PATROL", help="so that a retry is harmless")
    ],
    started: Annotated[str, typer.Option(metavar="T", help="local time")],
    roads: Annotated[str, typer.Option(metavar="ROADS", help="driven, seen well")] = "",
    plan: Annotated[
        Path | None, typer.Option(metavar="PLAN.json", exists=True, help="as planned")
    ] = None,
    crew: Annotated[int, typer.Option(help="of the plan")] = 1,
    until: Annotated[
        str, typer.Option(metavar="ROAD", help="last road of the plan driven")
    ] = "",
    seen: Annotated[
        list[str] | None,
        typer.Option(metavar="LIGHT[=STATE[@T]]", help="not as it should be"),
    ] = None,
    hindered: Annotated[
        list[str] | None, typer.Option(metavar="ROAD=WHY", help="not seen well")
    ] = None,
    day: Annotated[bool, typer.Option("--day")] = False,
    db: Db = None,
) -> None:
    """Record a patrol: by road, every light lit except those named."""
    from lightwatch.errors import NotUnderstood
    from lightwatch.observations.entry import light_tagged
    from lightwatch.observations.patrolled import Patrolled, Seen, log_patrol
    from reports.patrol import roads_driven

    store = open_at(db)
    driven = [one.strip() for one in roads.split(",") if one.strip()]
    if plan is not None:
        try:
            document = json.loads(plan.read_text("utf-8"))
        except ValueError:
            raise NotUnderstood(f"{plan} is not JSON") from None
        driven += roads_driven(document, crew, until)
    noted = []
    for text in seen or ():
        tag, _, rest = text.partition("=")
        state, _, at = rest.partition("@")
        usual = "dayburning" if day else "out"
        noted.append(Seen(light_tagged(store, tag), state or usual, at))
    badly = dict(one.partition("=")[::2] for one in hindered or ())
    kind = "day" if day else "night"
    done = log_patrol(
        store,
        Patrolled(key, started, driven, noted, badly, kind),
        now=now(),
        said_by=whoever(),
    )
    was = " (on record already, nothing changed)" if done.already else ""
    print(f"{done.key}: {done.roads} roads, {done.sightings} sightings, ", end="")
    print(f"{done.reports} reports from roads not seen well{was}")
