"""The unmetered energy statement."""

from __future__ import annotations

from lightwatch.decisions.energy import Statement, statement
from reports.papers.desk import Desk
from reports.papers.paper import Paper, Table, Words, rounded, rows

METHOD = (
    "Input watts of each light as they changed, day by day, times the hours during "
    "which the sun at the place stands below the angle at which lights switch."
)


def _summary(found: Statement) -> Words:
    return Words(
        "In short",
        (
            f"{found.kwh:,.0f} kWh from dusk to dawn, {found.begins} up to "
            f"{found.ends}.",
            f"Known day burning added {found.by_day_kwh:,.0f} kWh "
            f"({found.by_day_lights} lights, {found.by_day_hours:,.0f} hours); it is "
            "not in the sum above.",
            f"Lights known to be dark did not burn {found.dark_kwh:,.0f} kWh "
            f"({found.dark_lights} lights); it is not taken off.",
        ),
    )


def paper(desk: Desk) -> Paper:
    """Return the statement of a month."""
    level = desk.assumptions.energy.switching_deg
    found = statement(desk.register, desk.months(), level)
    lines = [
        (
            one.month,
            one.technology,
            rounded(one.light_days),
            rounded(one.kilowatts, 3),
            rounded(one.burn_hours, 2),
            rounded(one.kwh, 1),
        )
        for one in found.lines
    ]
    total = sum(one.kilowatts for one in found.lines)
    left = [
        f"{len(found.without_watts):,} lights whose watts nobody says: they are "
        "listed, and count as 0.",
        f"{found.fed_by_others:,} lights fed and paid for by others.",
    ]
    return Paper(
        "energy",
        f"Unmetered energy statement, {found.begins[:7]}",
        desk.place,
        desk.as_of,
        f"{sum(one.light_days for one in found.lines):,.0f} light-days, "
        f"{total:,.1f} kW when lit",
        METHOD,
        tuple(left),
        (
            _summary(found),
            Table(
                "energy",
                "Energy from dusk to dawn",
                ("Month", "Technology", "Light-days", "Load [kW]", "Burn hours [h]",
                 "Energy [kWh]"),
                rows(lines),
                "Energy is load times burn hours; light-days count days in service.",
            ),
            Table(
                "changes",
                "Changes since the last statement",
                ("Day", "Light", "What", "Before [W]", "After [W]"),
                rows(
                    [
                        (
                            one.day,
                            one.light_id,
                            one.what,
                            one.before_watts,
                            one.after_watts,
                        )
                        for one in found.changes
                    ]
                ),
                most=200,
            ),
            Table(
                "without-watts",
                "Lights without watts",
                ("Light",),
                rows([(one,) for one in found.without_watts]),
                most=100,
            ),
        ),
        assumed=(
            f"The angle of the sun at which lights switch, "
            f"{desk.assumptions.said('energy')}: {level:g} degrees.",
        ),
    )  # fmt: skip
