"""The verb of the storeroom: what will be needed, what to order."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightwatch.cli.asking import (
    AsOf,
    Db,
    Json,
    app,
    known_at,
    print_json,
)

if TYPE_CHECKING:
    pass


@app.command()
def stock(
    months: Annotated[int, typer.Option(min=1, max=60, help="months ahead")] = 12,
    service_level: Annotated[
        float,
        typer.Option(
            "--service-level", help="chance of no stock-out before the next order"
        ),
    ] = 0.95,
    policy: Annotated[
        str, typer.Option(help="service, least_cost or continuous")
    ] = "service",
    plan: Annotated[
        Path | None, typer.Option(metavar="FILE", help="planned programmes")
    ] = None,
    scenario: Annotated[
        Path | None, typer.Option(metavar="FILE", help="what may be otherwise")
    ] = None,
    rules: Annotated[
        Path | None, typer.Option(metavar="FILE", help="which model replaces which")
    ] = None,
    advise: Annotated[
        bool,
        typer.Option("--advice", help="what to change before it fails, and claims"),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="write order sheets and pictures there"),
    ] = None,
    db: Db = None,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Say how many parts will be needed, and what to order."""
    from lightwatch.decisions.stock import (
        Terms,
        advice,
        read_plan,
        read_rules,
        read_scenario,
    )
    from lightwatch.decisions.stock import stock as planned
    from lightwatch.lives import lives
    from lightwatch.register import Register
    from reports.stock import stock_document, stock_text
    from reports.stock_advice import advice_text
    from reports.stock_files import write_files

    known = known_at(db, as_of)
    register = Register(known)
    found = planned(
        register,
        months,
        Terms(service_level, policy),
        plan=read_plan(plan) if plan else None,
        scenario=read_scenario(scenario) if scenario else None,
        rules=read_rules(rules) if rules else None,
    )
    written = known.clock.written(known.as_of)
    advised = advice(found, lives(register)) if advise or out else None
    if as_json:
        print_json(stock_document(written, found))
    else:
        print(stock_text(written, found))
        if advise and advised:
            print(f"\n{advice_text(advised)}")
    if out:
        for path in write_files(out, written, found, advised):
            print(f"written: {path}", file=sys.stderr)
