"""Repeat failures, bad batches, and the case for rebuilding a circuit."""

from __future__ import annotations

from lightwatch.decisions.assumptions import CampaignCosts, RebuildCosts
from lightwatch.decisions.batches import Batch, campaign
from lightwatch.decisions.cautions import CAUTIONS
from lightwatch.decisions.repeats import BadCircuit, RepeatLight
from reports.papers.desk import Desk
from reports.papers.paper import Cell, Paper, Table, Words, rounded, rows
from reports.repeats import METHOD, why_bad

SHOWN = 40
OFTEN = 3
"""Two failures are listed only where something else speaks for a look."""

CASES = 5
"""Circuits whose sections are shown one by one."""


def _needs_a_look(light: RepeatLight) -> bool:
    often = light.excess.failures >= OFTEN
    return often or light.unheld > 0 or light.excess.named


def repeats(desk: Desk) -> Paper:
    """Return what fails again."""
    found = desk.repeats
    grows = found.grows("light")
    lights = [
        (
            one.light_id,
            one.excess.failures,
            rounded(one.excess.expected, 2),
            rounded(one.excess.ratio, 2),
            rounded(one.excess.low, 2),
            rounded(one.excess.high, 2),
            "yes" if one.excess.named else "",
            one.unheld,
            one.callbacks,
            one.why + ("; ever more often" if one.light_id in grows else ""),
            " ".join(one.ask),
        )
        for one in found.lights
        if one.light_id in grows or _needs_a_look(one)
    ]
    twice = len(found.lights) - len(lights)
    places = [("district", one) for one in found.districts] + [
        ("pole", one) for one in found.poles
    ]
    wrong = [
        (
            one.repair_id,
            one.light_id,
            one.part.replace("_", " "),
            rounded(one.again_after_days),
            "yes" if one.callback else "",
            (one.finally_ or "none on record").replace("_", " "),
            one.finally_repair,
        )
        for one in found.unheld
    ]
    named = sum(one.excess.named for one in found.lights)
    return Paper(
        "repeats",
        "Repeat failures",
        desk.place,
        desk.as_of,
        f"{len(found.lights):,} lights that failed again or whose repair did not hold; "
        f"{len(found.unheld):,} such repairs",
        METHOD,
        (
            "Faults of the feed count on the circuit, not on the light.",
            "Parts changed that had not failed, programmes, knock-downs, theft and "
            "vandalism are no failures.",
            f"{twice:,} lights that only failed twice, as some do by chance: "
            "lightwatch repeats --json names them.",
        ),
        (
            Words(
                "In short",
                (
                    f"{named} lights fail more than chance allows (false alarms among "
                    "them held to 1 in 10).",
                    f"{len(grows)} lights, and {len(found.grows('circuit'))} circuits, "
                    "fail ever more often.",
                    "Questions are to be checked at the light; none is about a person.",
                ),
            ),
            Table(
                "lights",
                "Lights",
                ("Light", "Failures", "Expected", "Excess", "from", "to",
                 "Beyond chance", "Repairs not held", "Callbacks", "Why",
                 "Questions to check"),
                rows(lights),
                most=SHOWN,
            ),
            Table(
                "places",
                "Districts, and poles with several lights",
                ("Level", "Name", "Failures", "Expected", "Excess", "from", "to"),
                rows(
                    [
                        (
                            level,
                            one.name,
                            one.failures,
                            rounded(one.expected, 1),
                            rounded(one.ratio, 2),
                            rounded(one.low, 2),
                            rounded(one.high, 2),
                        )
                        for level, one in places
                    ]
                ),
                most=SHOWN,
            ),
            Table(
                "unheld",
                "Repairs that did not hold, latest first",
                ("Repair", "Light", "Part", "Again after [d]", "Callback",
                 "Ended by", "Repair that ended it"),
                rows(wrong),
                most=SHOWN,
            ),
        ),
        CAUTIONS,
    )  # fmt: skip


def _campaign_row(one: Batch, costs: CampaignCosts) -> tuple[Cell, ...]:
    found = campaign(one, costs)
    net = found.net
    return (
        one.model,
        one.vintage,
        one.maker,
        one.failures,
        rounded(one.expected, 1),
        rounded(one.ratio, 2),
        rounded(one.low, 2),
        rounded(one.high, 2),
        one.in_service,
        one.alarm_on or "",
        rounded(found.avoided.mean, 1),
        rounded(found.cost, 0),
        rounded(found.saved.mean, 0) if found.saved else None,
        rounded(net.mean, 0) if net else None,
    )


def batches(desk: Desk) -> Paper:
    """Return batches that fail more than their peers, and where they hang."""
    every = desk.repeats.batches
    costs = desk.assumptions.campaign
    alarms = [one for one in every if one.alarm_on]
    where = [
        (one.model, one.vintage, light) for one in alarms for light in one.lights
    ] + [
        (one.model, one.vintage, circuit) for one in alarms for circuit in one.circuits
    ]
    said = tuple(
        f"{one.model} of {one.vintage} ({one.maker}): {one.failures} failures where "
        f"{one.expected:.0f} were expected, {one.ratio:.1f} times ({one.low:.1f} to "
        f"{one.high:.1f}); the records say so since {one.alarm_on}. {one.in_service:,} "
        "are still out there."
        for one in alarms
    )
    return Paper(
        "batches",
        "Bad batches",
        desk.place,
        desk.as_of,
        f"{len(every):,} batches (model and year of installation), "
        f"{sum(one.failures for one in every):,} failures",
        "Failures against those of peers of the same kind and type at the same ages in "
        "the same months; the alarm is a sequential test with at most 5 % false alarms "
        "a year over all batches together.",
        (
            "Units of unknown model or year of installation.",
            "Failures later than the next two years.",
        ),
        (
            Words("Alarms", said or ("None: no batch fails more than chance allows.",)),
            Table(
                "batches",
                "Batches, worst first, and what replacing all of one would do",
                ("Model", "Year", "Maker", "Failures", "Expected", "Ratio", "from",
                 "to", "In service", "Alarm on", "Failures avoided", "Cost", "Spared",
                 "Net"),
                rows([_campaign_row(one, costs) for one in every]),
                most=SHOWN,
            ),
            Table(
                "where",
                "Where units of the batches with an alarm hang",
                ("Model", "Year", "Light or circuit"),
                rows(where),
                most=200,
            ),
        ),
        CAUTIONS,
        (
            f"Costs {desk.assumptions.said('campaign')}: {costs.failure_visit:g} a "
            f"visit to a failed light, {costs.planned_visit:g} a planned one, parts at "
            f"{'the catalogue' if costs.part is None else f'{costs.part:g}'}.",
        ),
    )  # fmt: skip


def _case(one: BadCircuit, costs: RebuildCosts) -> tuple[Cell, ...]:
    spared = (one.next_2y - one.rebuilt_2y) * costs.fault
    cost = one.length_m * costs.per_metre
    yearly = spared / 2
    return (
        rounded(one.length_m, 0),
        rounded(one.rebuilt_2y, 2),
        rounded(spared, 0),
        rounded(cost, 0),
        rounded(cost / yearly, 0) if yearly > 0 and cost else None,
    )


def _sections(one: BadCircuit) -> Table:
    return Table(
        f"sections-{one.circuit_id}",
        f"Sections of {one.circuit_id}, worst first",
        ("Section", "Construction", "Length [m]", "Age [years]", "Faults", "Expected",
         "Next 2 years", "Rebuilt"),
        rows(
            [
                (
                    part.section_id,
                    part.kind.replace("_", " "),
                    rounded(part.length_m, 0),
                    rounded(part.age_years, 0),
                    part.faults,
                    rounded(part.expected, 2),
                    rounded(part.next_2y, 3),
                    rounded(part.rebuilt, 3),
                )
                for part in one.sections
            ]
        ),
        most=12,
    )  # fmt: skip


def rebuild(desk: Desk) -> Paper:
    """Return the circuits with most faults to come, with and without rebuilding."""
    circuits, costs = desk.repeats.circuits, desk.assumptions.rebuild
    grows = desk.repeats.grows("circuit")
    lines = [
        (
            one.circuit_id,
            one.feed,
            one.excess.failures,
            rounded(one.excess.expected, 2),
            rounded(one.excess.ratio, 2),
            rounded(one.next_2y, 2),
            rounded(one.low, 2),
            rounded(one.high, 2),
            *_case(one, costs),
            why_bad(one, grows=one.circuit_id in grows),
        )
        for one in circuits
    ]
    total = sum(one.next_2y for one in circuits)
    return Paper(
        "rebuild",
        "The case for rebuilding circuits",
        desk.place,
        desk.as_of,
        f"{len(circuits):,} circuits, "
        f"{sum(one.excess.failures for one in circuits):,} faults on record, "
        f"{total:.1f} expected in the next two years",
        "Faults of sections by construction, age of the ground and wetness of the "
        "place, times the circuit's own factor as far as its history tells; supply "
        "points at one rate. Rebuilt: new, of the best construction on record.",
        (
            "Feeds that others own.",
            "What darkness costs people.",
            "Few sections on record are new: how well new ones do is read off the "
            "shape of wear.",
        ),
        (
            Table(
                "circuits",
                "Circuits, most faults to come first",
                ("Circuit", "Feed", "Faults", "Expected", "Excess", "Next 2 years",
                 "from", "to", "Length [m]", "Rebuilt",
                 "Spared in 2 years [local currency]",
                 "Cost of rebuilding", "Years to pay back", "Why"),
                rows(lines),
                most=SHOWN,
            ),
            *(_sections(one) for one in circuits[:CASES] if one.sections),
        ),
        CAUTIONS,
        (
            f"Costs {desk.assumptions.said('rebuild')}: {costs.fault:,.0f} a fault, "
            f"{costs.per_metre:g} a metre laid. Years to pay back are at the next two "
            "years' rate.",
        ),
    )  # fmt: skip
