"""Tonight's patrol: streets in order, as a paper; the sheet for the truck is apart."""

from __future__ import annotations

from lightwatch.decisions.grounds import grounds
from lightwatch.decisions.patrol import Order, plan_patrol
from lightwatch.decisions.triage import outages
from reports.papers.desk import Desk
from reports.papers.paper import Paper, Table, rounded, rows
from reports.patrol import CAUTIONS, stretches

SECONDS = 5.0


def paper(desk: Desk) -> Paper:
    """Return the patrol of the evening that comes next: one crew, four hours."""
    order = Order(desk.tonight, 1, 4.0)
    plan = plan_patrol(desk.lives, order, outages(desk.lives), seconds=SECONDS)
    clock, unknown = desk.known.clock, grounds(desk.register, "patrol").not_known
    lines = [
        (
            number,
            f"{clock.at(one.starts_at):%H:%M}",
            one.name,
            " ".join(one.roads),
            len(one.lights),
            None if unknown else rounded(one.found, 3),
        )
        for number, crew in enumerate(plan.crews, 1)
        for one in stretches(crew.legs)
    ]
    found = sum(crew.found for crew in plan.crews)
    return Paper(
        "patrol",
        f"Night patrol of {desk.tonight:%d %b %Y}",
        desk.place,
        desk.as_of,
        f"{len(lines)} stretches of street, "
        f"{'an unknown number of' if unknown else f'{found:.1f}'} lights out and "
        "unreported expected to be found",
        "Streets chosen by the chance that a light is out and nobody has said so, for "
        "the time it takes to drive there and look.",
        tuple(plan.notes),
        (
            Table(
                "streets",
                "Streets in order",
                ("Crew", "From", "Street", "Road segments", "Lights", "To be found"),
                rows(lines),
                "The driver never types while moving: the passenger notes, or the "
                "truck stands. For sheet, map, GPX and calendar: lightwatch patrol "
                "--out.",
            ),
        ),
        tuple(CAUTIONS),
    )
