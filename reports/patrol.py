"""A patrol as the contract's document and as a readable table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from textwrap import fill
from typing import Any

from lightwatch.decisions.patrol import CrewPlan, Leg, PatrolPlan
from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime

CAUTIONS = (
    "The driver never types, writes or reads while moving: the passenger notes what is "
    "seen, or the vehicle is parked off the carriageway first.",
    "Keep to the speed and road rules; use the beacon and lights that your traffic "
    "rules ask for; never stop where you cannot be seen.",
    "Look from the vehicle. On patrol no pole, lid, cable or hanging part is touched: "
    "treat all of it as live, keep people away and call the standby.",
    "A light seen lit, or dark, is never proof that anything is dead or safe.",
    "Follow your utility's rules, local codes and a qualified person's judgement.",
)
"""The usual cautions; common practice, no source."""

_WIDTH = 88


@dataclass(frozen=True)
class Stretch:
    """Streets of one name looked at one after the other."""

    starts_at: int
    name: str
    roads: tuple[str, ...]
    lights: tuple[str, ...]
    found: float


def _leg(leg: Leg, clock: LocalTime, reasons: dict[str, str]) -> dict[str, Any]:
    document: dict[str, Any] = {
        "road_id": leg.road_id,
        "from": list(leg.line[0]),
        "to": list(leg.line[-1]),
        "starts_at": clock.written(_to_the_second(leg.starts_at)),
        "looking": leg.looking,
        "expected_found": leg.found,
    }
    if leg.looking:
        document["lights"] = len(leg.lights)
        document["look_for"] = {
            light: reasons[light] for light in leg.lights if light in reasons
        }
    return document


def _to_the_second(instant: int) -> int:
    return round(instant / 1_000_000) * 1_000_000


def _written(instant: int | None, clock: LocalTime) -> str | None:
    return None if instant is None else clock.written(_to_the_second(instant))


def _crew(crew: CrewPlan, clock: LocalTime, reasons: dict[str, str]) -> dict[str, Any]:
    return {
        "legs": [_leg(leg, clock, reasons) for leg in crew.legs],
        "km": crew.km,
        "hours": crew.hours,
        "expected_found": crew.found,
    }


def patrol_document(plan: PatrolPlan, clock: LocalTime) -> dict[str, Any]:
    """Return the contract's JSON document of a patrol."""
    document: dict[str, Any] = {
        "night": plan.order.night.isoformat(),
        "kind": plan.order.kind,
        "dark_from": _written(plan.dark.begins, clock),
        "dark_until": _written(plan.dark.ends, clock),
        "crews": [_crew(crew, clock, plan.reasons) for crew in plan.crews],
        "expected_found": plan.found,
    }
    if plan.order.kind == "day":
        window = document.pop("dark_from"), document.pop("dark_until")
        document |= {"light_from": window[0], "light_until": window[1]}
        document |= {"dark_from": None, "dark_until": None}
    if plan.rotation_cost is not None:
        document["rotation_cost"] = plan.rotation_cost
    if plan.notes:
        document["note"] = " ".join(plan.notes)
    return document


def stretches(legs: Sequence[Leg]) -> Iterator[Stretch]:
    """Put streets of one name that follow each other into one stretch."""
    looked = [leg for leg in legs if leg.looking]

    def street(leg: Leg) -> str:
        return leg.name or leg.road_id or "lights without a road"

    for name, group in groupby(looked, street):
        some = list(group)
        yield Stretch(
            some[0].starts_at,
            name,
            tuple(dict.fromkeys(leg.road_id for leg in some if leg.road_id)),
            tuple(light for leg in some for light in leg.lights),
            sum(leg.found for leg in some),
        )


def _crew_lines(
    number: int, crew: CrewPlan, plan: PatrolPlan, clock: LocalTime, *, known: bool
) -> list[str]:
    if not crew.legs or crew.ends_at is None:
        return [f"Crew {number}: nothing to drive."]
    begins, ends = clock.at(crew.legs[0].starts_at), clock.at(crew.ends_at)
    lines = [
        f"Crew {number}: {begins:%H:%M} to {ends:%H:%M} ({crew.hours:.1f} h), "
        f"{crew.km:.0f} km" + (f", {crew.found:.1f} expected." if known else "."),
        f"  {'from':7}{'street':32}{'lights':>7}{'found':>8}  look for",
    ]
    for one in stretches(crew.legs):
        named = [light for light in one.lights if light in plan.reasons]
        why = f"{named[0]}: {plan.reasons[named[0]]}" if named else ""
        more = f" and {len(named) - 1} more" if len(named) > 1 else ""
        lines.append(
            f"  {clock.at(one.starts_at):%H:%M}  {one.name[:31]:32}"
            f"{len(one.lights):>7}{f'{one.found:.2f}' if known else '-':>8}  "
            f"{why}{more}".rstrip()
        )
    return lines


def _head(plan: PatrolPlan, clock: LocalTime, *, known: bool) -> list[str]:
    what = "burning by day" if plan.order.kind == "day" else "out"
    named = "Day" if plan.order.kind == "day" else "Night"
    many = f"{plan.found:.1f} lights" if known else "how many lights"
    seen = "expected to be seen" if known else "will be seen is not known"
    lines = [
        f"{named} of {plan.order.night:%d %b %Y}: {many} {what} that nobody has "
        f"reported{',' if known else ''} {seen}."
    ]
    if plan.dark.begins is not None and plan.dark.ends is not None:
        first, last = clock.at(plan.dark.begins), clock.at(plan.dark.ends)
        word = "Light" if plan.order.kind == "day" else "Dark"
        lines.append(f"{word} from {first:%H:%M} to {last:%H:%M}.")
    if plan.rotation_cost is not None:
        lines.append(
            "Streets unseen for too long are driven whatever they find: that costs "
            f"{plan.rotation_cost:.2f} finds."
        )
    return [*lines, *plan.notes]


def patrol_text(plan: PatrolPlan, clock: LocalTime, *, known: bool = True) -> str:
    """Return a patrol street by street, under the usual cautions.

    Parameters
    ----------
    plan, clock
        The patrol, and local time.
    known
        Whether it is known how many lights are to be found.
    """
    head = [fill(one, _WIDTH) for one in [*_head(plan, clock, known=known), *CAUTIONS]]
    body = [
        "\n".join(_crew_lines(number, crew, plan, clock, known=known))
        for number, crew in enumerate(plan.crews, 1)
    ]
    return "\n\n".join(["\n".join(head), *body])


def roads_driven(
    document: dict[str, Any], crew: int = 1, until: str = ""
) -> tuple[str, ...]:
    """Return the roads that a crew looked at, by the patrol's own document.

    Parameters
    ----------
    document
        As :func:`patrol_document` makes it.
    crew
        Number of the crew, from 1.
    until
        The last road driven, of a patrol broken off; blank: all of it.

    Raises
    ------
    NotUnderstood
        It is no such document, or has no such crew or road.
    """
    try:
        crews = document["crews"]
        if not 1 <= crew <= len(crews):
            raise NotUnderstood(f"the plan has no crew {crew} (it has {len(crews)})")
        legs = crews[crew - 1]["legs"]
        looked = [leg["road_id"] for leg in legs if leg["looking"] and leg["road_id"]]
    except (KeyError, TypeError):
        raise NotUnderstood("this is no plan of a patrol") from None
    roads = tuple(dict.fromkeys(looked))
    if not until:
        return roads
    if until not in roads:
        raise NotUnderstood(f"crew {crew} does not look at road {until!r}")
    return roads[: roads.index(until) + 1]
