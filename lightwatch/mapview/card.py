"""What a card says of one outage, in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from lightwatch.decisions.triage.outage import VERDICTS, Outage
from lightwatch.mapview.tree import Circuit, Light, at_source

SHARED = ("supply_fault", "group_photocontrol")
"""Verdicts that several lights can share: the map's primary marks."""

ARTICLES = {"supply_fault": "a ", "group_photocontrol": "the ", "area_outage": "an "}
"""Verdict to the article its name wants in a sentence."""

FEEDS = {"u": "fed underground", "o": "fed overhead", "x": "feed not on record"}
"""The map's letter for a feed, and what a card says of it."""

FEW, NAMED = 3, 8
"""Lights named with their pole, and named at all before the rest are counted."""

NBSP = "\N{NO-BREAK SPACE}"

Fact = tuple[str, str | list[str]]
"""A heading with its text or its list."""


def feed_letter(outage: Outage) -> str:
    """Return u, o or x: fed underground, overhead, not on record."""
    return {True: "u", False: "o", None: "x"}[outage.underground]


def per_cent(share: float) -> str:
    r"""Return a probability in whole per cent, never as certain either way.

    Examples
    --------
    >>> per_cent(0.998), per_cent(0.001)
    ('over 99\xa0%', 'under 1\xa0%')
    """
    if share > 0.99:
        return f"over 99{NBSP}%"
    return f"under 1{NBSP}%" if share < 0.01 else f"{share * 100:.0f}{NBSP}%"


def in_words(outage: Outage) -> str:
    """Return the verdict as a sentence with its probability."""
    share = outage.probability
    verdict = ARTICLES.get(outage.verdict, "") + VERDICTS[outage.verdict]
    bands = ((0.9, "Almost certainly"), (0.7, "Probably"), (0.4, "Could be"))
    unclear = "Unclear; the likeliest is"
    word = next((word for least, word in bands if share >= least), unclear)
    return f"{word} {verdict} ({per_cent(share)})"


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


def _unreported(outage: Outage) -> list[str]:
    reported = set(outage.reported)
    return [one for one in outage.lights if one not in reported]


def section_in_words(section_id: str, share: float, circuit: Circuit) -> str:
    """Return a section with the poles between which it runs."""
    near, far = circuit.near_end(section_id), circuit.far_end(section_id)
    run = ""
    if far:
        ends = [near.pole_id or near.light_id if near else "the source"]
        ends.append(far.pole_id or far.light_id)
        run = f", from {ends[0]} to {ends[1]}"
    return f"{section_id}{run} ({per_cent(share)})"


def _places(outage: Outage, circuit: Circuit | None) -> Iterable[Fact]:
    if outage.sections and circuit:
        found = [section_in_words(*one, circuit) for one in outage.sections[:4]]
        if at_source(outage):
            found.insert(0, "the source itself: main supply, fuse or photocontrol")
        yield "Likeliest sections", found
    if outage.components and outage.verdict not in SHARED:
        parts = [
            f"{kind.replace('_', ' ')} ({per_cent(share)})"
            for kind, share in outage.components[:3]
        ]
        yield "If it is this light, likeliest", ", ".join(parts)
    if circuit and not circuit.taps and outage.verdict in SHARED:
        yield "Order along the circuit", "unknown: its sections are not on record"


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
    others = [
        f"{VERDICTS[name]} {per_cent(share)}"
        for name, share in sorted(
            outage.probabilities.items(), key=lambda one: one[1], reverse=True
        )
        if name != outage.verdict and share >= 0.01
    ]
    if others:
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
        facts.append(("Check first", f"{test.where}: {test.why}"))
    facts.append(("Reported", _counted(outage.reported, lights)))
    silent = _unreported(outage)
    if silent or outage.verdict in SHARED:
        facts.append(("Probably dark, nobody reported", _counted(silent, lights)))
    age = nights(outage, as_of)
    since = f"{stamp(outage.since, as_of)} ({age} night{'s' if age > 1 else ''})"
    facts.append(("Since", since))
    facts.extend(_places(outage, circuit))
    if outage.why:
        facts.append(("Why", list(outage.why)))
    facts.extend(_doubt(outage))
    return {"title": in_words(outage), "place": place(outage, circuit), "facts": facts}


def place(outage: Outage, circuit: Circuit | None) -> str:
    """Return the symptom and what feeds it, in one line."""
    said = [outage.symptom.replace("_", " ")]
    if outage.circuit_id is None:
        said.append("no circuit on record")
    else:
        said.append(f"circuit {outage.circuit_id}")
        said.append(FEEDS[feed_letter(outage)])
    if circuit and circuit.source:
        said.append(f"source {circuit.source}")
    return ", ".join(said)
