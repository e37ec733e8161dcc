"""Open outages as the contract's document and as a dispatcher would say them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from textwrap import fill
from typing import Any

from lightwatch.decisions.triage import METHOD, VERDICTS, Outage

CAUTIONS = (
    "Treat every conductor, pole, lid and frame as live until tested; test the tester "
    "before and after.",
    "Test a pole or lid for contact voltage before touching it, most of all when wet.",
    "A likely cause never replaces a test; a verdict is never proof that anything is "
    "dead.",
    "Follow your utility's rules, local codes and a qualified person's judgement.",
)
"""The usual cautions; common practice, no source."""

_WIDTH = 88


def _document(outage: Outage) -> dict[str, Any]:
    verdict = outage.verdict
    return {
        "lights": list(outage.lights),
        "reported": list(outage.reported),
        "circuit_id": outage.circuit_id,
        "underground": outage.underground,
        "symptom": outage.symptom,
        "verdict": verdict,
        "probability": outage.probability,
        "alternatives": [
            {"verdict": name, "probability": chance}
            for name, chance in outage.probabilities.items()
            if name != verdict
        ],
        "sections": [
            {"section_id": name, "probability": chance}
            for name, chance in outage.sections
        ],
        "components": [
            {"kind": name, "probability": chance} for name, chance in outage.components
        ],
        "test_first": outage.test_first and asdict(outage.test_first),
        "since": outage.since.isoformat(),
        "why": list(outage.why),
        "danger": list(outage.danger),
    }


def outages_document(as_of: str, outages: Sequence[Outage]) -> dict[str, Any]:
    """Return the contract's JSON document of open outages."""
    return {"as_of": as_of, "outages": [_document(outage) for outage in outages]}


def in_words(probability: float) -> str:
    """Say a probability as a person would."""
    if probability >= 0.9:
        return "almost certainly"
    if probability >= 0.7:
        return "probably"
    return "could be" if probability >= 0.4 else "perhaps"


def _names(names: Sequence[str], most: int = 6) -> str:
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown


def _feed(outage: Outage) -> str:
    if outage.circuit_id is None:
        return "on no known circuit"
    fed = {True: "underground-fed ", False: "overhead-fed ", None: ""}
    return f"on {fed[outage.underground]}circuit {outage.circuit_id}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _paragraph(outage: Outage) -> str:
    """Say one outage in a paragraph."""
    said = []
    if outage.danger:
        dangers = ", ".join(name.replace("_", " ") for name in outage.danger)
        said.append(f"DANGER reported: {dangers}. Make safe first.")
    chance = f"{outage.probability:.0%}"
    said.append(
        f"{_sentence(in_words(outage.probability))} {VERDICTS[outage.verdict]} "
        f"({chance}), {_feed(outage)}: {_names(outage.reported)} "
        f"{outage.symptom.replace('_', ' ')} since {outage.since:%d %b %Y %H:%M}."
    )
    silent = [light for light in outage.lights if light not in outage.reported]
    if silent:
        said.append(f"Probably dark too, not reported: {_names(silent)}.")
    said.append(f"{_sentence('; '.join(outage.why))}.")
    if outage.verdict == "supply_fault" and outage.sections:
        likeliest = (f"{name} ({one:.0%})" for name, one in outage.sections[:3])
        said.append(f"Most likely section: {', then '.join(likeliest)}.")
    if outage.test_first:
        test = outage.test_first
        said.append(f"Check first: {test.where}; {test.why}.")
    return " ".join(said)


def outages_text(as_of: str, outages: Sequence[Outage]) -> str:
    """Return one paragraph an outage, danger first, under the usual cautions."""
    if not outages:
        return f"Nothing is open as of {as_of}."
    head = [f"{len(outages)} open as of {as_of}. {METHOD}", *CAUTIONS]
    doubted = [one for one in outages if one.verdict == "no_fault" and not one.danger]
    believed = [one for one in outages if one not in doubted]
    said = [*map(_paragraph, believed)]
    if doubted:
        said += ["Open on paper, probably nothing there:", *map(_paragraph, doubted)]
    top = "\n".join(fill(line, _WIDTH) for line in head)
    return "\n\n".join([top, *(fill(one, _WIDTH) for one in said)])
