"""What a card says of one outage, in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from lightwatch.decisions.cautions import OVERHEAD, UNDERGROUND, UNKNOWN_FEED
from lightwatch.decisions.triage.outage import Outage
from lightwatch.decisions.triage.spoken import (
    day_of,
    is_shared,
    next_said,
    not_heard_from,
    others_said,
    per_cent,
    source_is_likeliest,
    symptom_said,
    verdict_said,
    would_change,
)
from lightwatch.mapview.tree import Circuit, Light

FEEDS = {"u": "fed underground", "o": "fed overhead", "x": "feed not on record"}
"""The map's letter for a feed, and what a card says of it."""

FEW, NAMED = 3, 8
"""Lights named with their pole, and named at all before the rest are counted."""

Fact = tuple[str, str | list[str]]
"""A heading with its text or its list."""


def feed_letter(outage: Outage) -> str:
    """Return u, o or x: fed underground, overhead, not on record."""
    return {True: "u", False: "o", None: "x"}[outage.underground]


def nights(outage: Outage, as_of: datetime) -> int:
    """Return the nights open, at least 1."""
    since = outage.since
    if since.tzinfo is None or as_of.tzinfo is None:
        since, as_of = since.replace(tzinfo=None), as_of.replace(tzinfo=None)
    return max(1, (as_of - since).days)


def stamp(moment: datetime, as_of: datetime) -> str:
    """Return a moment in words, on the clock of ``as_of``."""
    if moment.tzinfo and as_of.tzinfo:
        moment = moment.astimezone(as_of.tzinfo)
    return f"{moment.day} {moment:%b %Y, %H:%M}"


def _listed(ids: Sequence[str], lights: dict[str, Light]) -> str:
    if len(ids) <= FEW:
        return ", ".join(lights[one].named if one in lights else one for one in ids)
    rest = len(ids) - NAMED
    more = f" and {rest} more" if rest > 1 else ""
    return ", ".join(ids[:NAMED] if more else ids) + more


def _counted(ids: Sequence[str], lights: dict[str, Light]) -> str:
    return f"{len(ids)}: {_listed(ids, lights)}" if ids else "none"


def section_in_words(section_id: str, share: float, circuit: Circuit) -> str:
    """Return a section with the poles between which it runs."""
    near, far = circuit.near_end(section_id), circuit.far_end(section_id)
    run = ""
    if far:
        ends = [near.pole_id or near.light_id if near else "the source"]
        ends.append(far.pole_id or far.light_id)
        run = f", from {ends[0]} to {ends[1]}"
    return f"{section_id}{run} ({per_cent(share)})"


def _heard(
    outage: Outage, circuit: Circuit | None, lights: dict[str, Light]
) -> Iterable[Fact]:
    """Say who was heard from, and who was not."""
    of = f" of {len(circuit.lights)} on the circuit" if circuit else ""
    shared = is_shared(outage)
    counted = _counted(outage.reported, lights)
    yield "Reported", counted.replace(":", f"{of}:", 1) if shared else counted
    if not shared:
        return
    yield "Seen lit since", _counted(outage.seen_lit, lights)
    silent = not_heard_from(outage)
    yield "Not heard from, probably dark too", _counted(silent, lights)


def _times(outage: Outage, as_of: datetime) -> Iterable[Fact]:
    age = nights(outage, as_of)
    since = f"{stamp(outage.since, as_of)} ({age} night{'s' if age > 1 else ''})"
    yield "First reported", since
    if outage.dark_since:
        yield "Dark since about", day_of(outage.dark_since, as_of)


def _places(outage: Outage, circuit: Circuit | None) -> Iterable[Fact]:
    if outage.inferred:
        if is_shared(outage):
            what = "Order of lights" if outage.circuit_id else "Circuit and order"
            yield what, "inferred from the map, not from records"
    elif outage.sections and circuit and is_shared(outage):
        found = [section_in_words(*one, circuit) for one in outage.sections[:4]]
        if source_is_likeliest(outage):
            found.insert(0, "the source itself: main supply, fuse or photocontrol")
        yield "Likeliest sections", found
    if outage.components and outage.shown == "single_light":
        parts = [
            f"{kind.replace('_', ' ')} ({per_cent(share)})"
            for kind, share in outage.components[:3]
        ]
        yield "If it is this light, likeliest", ", ".join(parts)


def _ours(outage: Outage, lights: dict[str, Light]) -> Iterable[Fact]:
    known = [lights[one] for one in outage.lights if one in lights]
    others = [light for light in known if light.maintained_by]
    if others:
        who = ", ".join(dict.fromkeys(light.maintained_by for light in others))
        which = "" if len(others) == len(outage.lights) else f"{len(others)} lights, "
        ids = _listed([light.light_id for light in others], lights)
        yield "Not ours to maintain", f"{which}{ids}: maintained by {who}"
    owners = dict.fromkeys(light.feed_owner for light in known if light.feed_owner)
    if owners:
        yield "Supply belongs to", ", ".join(owners)


def _doubt(outage: Outage) -> Iterable[Fact]:
    if others := others_said(outage):
        yield "It could also be", ", ".join(others)


def card(
    outage: Outage,
    circuit: Circuit | None,
    lights: dict[str, Light],
    as_of: datetime,
) -> dict[str, object]:
    """Return a card: its title, its place line, and facts in reading order."""
    facts: list[Fact] = []
    if outage.danger:
        facts.append(("Danger", list(outage.danger)))
    facts.extend(_ours(outage, lights))
    if outage.test_first:
        test = outage.test_first
        if outage.to_open:
            facts.append(("Next", next_said(outage)))
        else:
            facts.append(("Check first", f"{test.where}: {test.why}"))
    facts.extend(_heard(outage, circuit, lights))
    facts.extend(_times(outage, as_of))
    facts.extend(_places(outage, circuit))
    if outage.why:
        facts.append(("Why", list(outage.why)))
    facts.append(("What would change this", would_change(outage)))
    facts.extend(_doubt(outage))
    return {
        "title": verdict_said(outage),
        "place": place(outage, circuit),
        "facts": facts,
    }


def place(outage: Outage, circuit: Circuit | None) -> str:
    """Return the symptom and what feeds it, in one line."""
    said = [symptom_said(outage.symptom)]
    if outage.circuit_id is None:
        said.append("no circuit on record")
    else:
        said.append(f"circuit {outage.circuit_id}")
        said.append(FEEDS[feed_letter(outage)])
    if circuit and circuit.source:
        said.append(f"source {circuit.source}")
    return ", ".join(said)


def before_work_lines() -> list[tuple[str, str]]:
    """Return the cautions before work, each with the only feed that it is for."""
    return [
        (
            ""
            if line in OVERHEAD and line in UNDERGROUND
            else "u"
            if line in UNDERGROUND
            else "o",
            line,
        )
        for line in UNKNOWN_FEED
    ]
