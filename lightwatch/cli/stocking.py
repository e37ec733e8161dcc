"""The verb of the stock room."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from lightwatch.cli.asking import AsOf, Db, Json, app, known_at, print_json, register_of
from lightwatch.errors import LightwatchError


@app.command()
def stock(
    months: Annotated[
        int, typer.Option(metavar="N", min=1, max=120, help="whole months ahead")
    ] = 12,
    service_level: Annotated[
        float,
        typer.Option(
            metavar="P", help="chance not to run out before the next order could be in"
        ),
    ] = 0.95,
    policy: Annotated[
        str, typer.Option(help="service, least_cost, or continuous (least cost)")
    ] = "service",
    plan: Annotated[
        Path | None, typer.Option(metavar="FILE", help="planned programmes, TOML")
    ] = None,
    scenario: Annotated[
        Path | None, typer.Option(metavar="FILE", help="what if, TOML")
    ] = None,
    rules: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="which model replaces which, TOML"),
    ] = None,
    with_advice: Annotated[
        bool,
        typer.Option("--advice", help="also what to change early, and what to claim"),
    ] = False,
    assume: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="your costs of visits for the advice, TOML"),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="write order sheets, pictures and claims"),
    ] = None,
    db: Db = None,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Say how many parts repairs will need, and what to order now."""
    from lightwatch.decisions import stock as room
    from lightwatch.decisions.assumptions import Assumptions, read_assumptions
    from lightwatch.decisions.grounds import grounds
    from lightwatch.lives import lives
    from reports.grounds import document_on, with_grounds
    from reports.stock import stock_document, stock_text
    from reports.stock_advice import advice_document, advice_text
    from reports.stock_files import write_files

    try:
        terms = room.Terms(service_level, policy)
    except LightwatchError as error:
        raise typer.BadParameter(str(error)) from None
    if assume and not with_advice:
        raise typer.BadParameter(
            "costs of visits are for the advice (expected --advice too)",
            param_hint="--assume",
        )
    assumed = read_assumptions(assume) if assume else Assumptions()
    known = known_at(db, as_of)
    register = register_of(known)
    on = grounds(register, "stock")
    made = room.stock(
        register,
        months,
        terms,
        plan=room.read_plan(plan) if plan else None,
        scenario=room.read_scenario(scenario) if scenario else None,
        rules=room.read_rules(rules) if rules else None,
    )
    advice = room.advice(made, lives(register), assumed.visits) if with_advice else None
    written = known.clock.written(known.as_of)
    if out is not None:
        for path in write_files(out, written, made, advice):
            print(f"written to {path}", file=sys.stderr)
    if as_json:
        document = document_on(stock_document(written, made), on)
        more = {"advice": advice_document(advice)} if advice else {}
        print_json({**document, **more})
        return
    texts = [with_grounds(stock_text(written, made), on)]
    print("\n\n".join([*texts, advice_text(advice, assumed)] if advice else texts))
