"""Warranty claims: parts that failed while their maker still answers for them."""

from __future__ import annotations

from collections import defaultdict

from lightwatch.decisions.stock.shelf import read_shelf
from lightwatch.decisions.stock.warranty import Claim, claims
from reports.papers.desk import Desk
from reports.papers.paper import Paper, Table, rounded, rows


def _by_maker(found: tuple[Claim, ...], cost: dict[str, float]) -> Table:
    sums: dict[tuple[str, str, str], list[Claim]] = defaultdict(list)
    for one in found:
        sums[one.maker, one.kind, one.model].append(one)
    lines = [
        (
            maker,
            kind.replace("_", " "),
            model,
            len(some),
            sum(one.surely for one in some),
            rounded(len(some) * cost.get(model, float("nan")), 2),
        )
        for (maker, kind, model), some in sorted(
            sums.items(), key=lambda pair: (-len(pair[1]), pair[0])
        )
    ]
    return Table(
        "by-model",
        "By maker and model",
        ("Maker", "Part", "Model", "Claims", "Surely inside", "Value"),
        rows(lines),
        "Value: at the catalogue's price, local currency; without labour.",
    )


def paper(desk: Desk) -> Paper:
    """Return the claims of the last year."""
    shelf = read_shelf(desk.known)
    found = claims(shelf, desk.lives)
    cost = {name: part.unit_cost for name, part in shelf.parts.items()}
    lines = [
        (
            one.model,
            one.maker,
            one.kind.replace("_", " "),
            one.light_id or one.circuit_id,
            one.fitted,
            one.fitted_last,
            one.failed,
            rounded(one.age_years, 2),
            one.warranty_years,
            "yes" if one.surely else "perhaps",
            one.repair_id,
        )
        for one in found
    ]
    listed = Table(
        "claims",
        "Claims, newest first",
        ("Model", "Maker", "Part", "Where", "Fitted from", "to", "Failed on",
         "Age [years]", "Warranty [years]", "Surely inside", "Repair"),
        rows(lines),
        "Fitted from, to: the days between which the record puts it.",
        most=400,
    )  # fmt: skip
    return Paper(
        "warranty",
        "Warranty claims of the last year",
        desk.place,
        desk.as_of,
        f"{len(found):,} failures inside the warranty, each with its repair on record",
        "Failed by its own cause, and the repair held; younger at the repair than the "
        "catalogue's warranty, counted from the day of fitting.",
        (
            "Parts of unknown model or day of fitting, and models without a warranty "
            "in the catalogue.",
            "Parts that a crew changed though another had failed: there is no claim.",
        ),
        (_by_maker(found, cost), listed),
    )
