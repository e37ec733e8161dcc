"""Many circuits at once, told as one outage: another's supply, or a storm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from lightwatch.decisions.areas import Area, Suspected
from lightwatch.decisions.triage.area_events import LISTED_DAYS, AreaEvent
from lightwatch.decisions.triage.judge import CircuitJudged
from lightwatch.decisions.triage.outage import VERDICTS, NextTest, Outage
from lightwatch.decisions.triage.signs import Signs
from lightwatch.nights import DAY, LocalTime
from lightwatch.register import Register

LIKELY = 0.5


def suspected(circuits: Sequence[CircuitJudged], now: int) -> Suspected:
    """Return circuits by how likely their source is dead, and since when.

    ``now`` is the time for which they were judged [instant].
    """
    began = [(one, one.began) for one in circuits if one.circuit_id]
    some = [(one, age) for one, age in began if age is not None]
    ages = np.array([age for _, age in some], dtype=float)
    return Suspected(
        tuple(one.circuit_id for one, _ in some),
        np.array([one.group + one.supply for one, _ in some], dtype=float),
        now - ages * DAY,
    )


def shared_out(outage: Outage, area: Area) -> Outage:
    """Leave to an area what is its share of an outage's probability."""
    chance = area.probability
    parts = {name: p * (1 - chance) for name, p in outage.probabilities.items()}
    parts["area_outage"] += chance
    said = _in_words(area)
    return replace(
        outage,
        probabilities=parts,
        supply=outage.supply and outage.supply * (1 - chance),
        dark={light: p * (1 - chance) for light, p in outage.dark.items()},
        why=(*outage.why, said),
    )


def _in_words(area: Area) -> str:
    gust = (
        f"; gusts of {area.gust_kmh:.0f} km/h about then"
        if area.gust_kmh is not None
        else ""
    )
    return (
        f"{len(area.circuit_ids)} circuits near each other came dark between about "
        f"{area.since:%d %b} and {area.until:%d %b}: as good as {area.observed:.1f} "
        f"without supply, where chance would bring {area.expected:.2f}{gust}"
    )


def as_one(area: Area, outages: Sequence[Outage]) -> Outage:
    """Put the outages of an area's circuits together.

    Parameters
    ----------
    area
        With a probability above one half.
    outages
        One or more, each on a circuit of the area.
    """
    chance = area.probability
    weight = {
        name: sum(one.probabilities[name] for one in outages) / len(outages)
        for name in VERDICTS
    }
    parts = {name: p * (1 - chance) for name, p in weight.items()}
    parts["area_outage"] += chance
    first = min(outages, key=lambda one: one.since)
    kept = {why for one in outages for why in one.why if " maintained " in why}
    return Outage(
        lights=tuple(sorted({light for one in outages for light in one.lights})),
        reported=tuple(sorted({light for one in outages for light in one.reported})),
        circuit_id=None,
        underground=None,
        symptom=first.symptom,
        probabilities=parts,
        sections=(),
        components=first.components,
        test_first=NextTest(
            "the supply of the area",
            "ask whoever supplies these circuits for an outage before a truck rolls; "
            "then test the source of one circuit",
        ),
        since=first.since,
        why=(_in_words(area), *sorted(kept)),
        danger=tuple(sorted({one for outage in outages for one in outage.danger})),
        seen_lit=tuple(sorted({light for one in outages for light in one.seen_lit})),
        dark={
            light: p * (1 - chance) for one in outages for light, p in one.dark.items()
        },
    )


def with_areas(outages: Sequence[Outage], areas: Sequence[Area]) -> list[Outage]:
    """Tell areas as one outage each; what is on other circuits stays as it is.

    An area no likelier than not leaves the outages apart, each with its share.
    """
    area_of = {
        circuit: area for area in reversed(areas) for circuit in area.circuit_ids
    }
    found: list[Outage] = []
    within: dict[int, list[Outage]] = {}
    for one in outages:
        area = area_of.get(one.circuit_id or "")
        if area is None:
            found.append(one)
        elif area.probability > LIKELY:
            within.setdefault(areas.index(area), []).append(one)
        else:
            found.append(shared_out(one, area))
    return found + [as_one(areas[i], some) for i, some in sorted(within.items())]


def of_areas(signs: Signs) -> list[Outage]:
    """Return areas found by their reports, as long as they are open or lately over."""
    found = []
    for event in signs.heard.areas:
        troubles = signs.heard.open_of(event)
        old = signs.register.as_of - event.last > LISTED_DAYS * DAY
        if len(troubles) and not (old and event.still <= LIKELY):
            found.append(of_area(event, troubles, signs.register))
    return found


def of_area(event: AreaEvent, troubles: pd.DataFrame, register: Register) -> Outage:
    """Tell an area that was found by its reports as one outage.

    Parameters
    ----------
    event
        The area.
    troubles
        What of it no repair has answered: ``light_id``, ``at``, ``symptom``; a row or
        more.
    register
        What stands.
    """
    clock = register.known.clock
    reported = tuple(sorted(set(troubles["light_id"])))
    standing = register.standing
    within = standing["light_id"][standing["circuit_id"].isin(set(event.circuits))]
    open_now = event.still > LIKELY
    lights = {*reported, *within} if open_now else set(reported)
    chance = event.probability
    parts = dict.fromkeys(VERDICTS, 0.0)
    parts["area_outage"] = chance * event.still
    parts["no_fault"] = chance * (1 - event.still)
    parts["supply_fault"] = 1 - chance
    if open_now:
        test = NextTest(
            "the supply of the area",
            "ask whoever supplies these circuits for an outage before a truck rolls; "
            "then test the source of one circuit",
        )
    else:
        test = NextTest(
            "the reported lights, by night",
            "a drive past shows whether all came back with the supply",
        )
    return Outage(
        lights=tuple(sorted(lights)),
        reported=reported,
        circuit_id=None,
        underground=None,
        symptom=str(troubles["symptom"].mode().iloc[0]),
        probabilities=parts,
        sections=(),
        components=(("unknown", 1.0),),
        test_first=test,
        since=clock.at(int(troubles["at"].min())),
        why=_told_together(event, clock),
        danger=(),
        dark_since=clock.at(event.since),
        over=not open_now,
    )


def _told_together(event: AreaEvent, clock: LocalTime) -> tuple[str, ...]:
    begun, last = clock.at(event.since), clock.at(event.last)
    gust = (
        f"; gusts of {event.gust_kmh:.0f} km/h about then"
        if event.gust_kmh is not None
        else ""
    )
    on = f"{len(event.circuits)} circuits" if event.circuits else "several feeds"
    said = (
        f"{len(event.lights)} lights on {on} near each other reported between "
        f"{begun:%d %b %H:%M} and {last:%d %b %H:%M}, where about {event.expected:.1f} "
        f"circuits usually would be{gust}"
    )
    if event.still > LIKELY:
        return (said,)
    return said, (
        f"supply has probably been back since about {clock.at(event.end):%d %b %H:%M}, "
        "as reports ceased or lights were seen lit"
    )
