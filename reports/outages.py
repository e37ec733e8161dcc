"""Open outages as the contract's document and as a dispatcher would say them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from textwrap import fill
from typing import Any

from lightwatch.decisions.cautions import CAUTIONS, UNDERGROUND
from lightwatch.decisions.triage import METHOD, Outage
from lightwatch.decisions.triage.apart import Apart
from lightwatch.decisions.triage.misdrawn import Misdrawn
from lightwatch.decisions.triage.spoken import (
    NBSP,
    day_of,
    is_shared,
    next_said,
    not_heard_from,
    per_cent,
    sentence,
    source_is_likeliest,
    symptom_said,
    verdict_said,
    would_change,
)
from reports.doubts import many_said

SEE = (
    "lightwatch answers lists them. To isolate the circuit on record does not make "
    "such a light dead."
)

_WIDTH = 88
_NAMED = 6
_FAR = 3
NONE_APART = Apart()


def _document(outage: Outage) -> dict[str, Any]:
    verdict, cabinet = outage.verdict, outage.at_cabinet
    found = {
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
    if outage.inferred and not outage.circuit_id:
        found["inferred"] = True
    return found if cabinet is None else {**found, "at_cabinet": cabinet}


def outages_document(
    as_of: str, outages: Sequence[Outage], beside: Apart = NONE_APART
) -> dict[str, Any]:
    """Return the contract's JSON document of open outages.

    Where there are any, ``no_light_near`` lists open reports that are on no light.
    """
    found = {"as_of": as_of, "outages": [_document(outage) for outage in outages]}
    if beside.far:
        found["no_light_near"] = [
            {**asdict(one), "at": one.at.isoformat()} for one in beside.far
        ]
    return found


def beside_text(beside: Apart, now: datetime) -> str:
    """Return what is on no light, and how far reports reach; '' where nothing is."""
    said = []
    if beside.silent_since:
        last = day_of(beside.silent_since, now)
        said.append(
            f"No report of any light since {last}: silence after that tells nothing."
        )
    if many := len(beside.far):
        named = ", ".join(map(str, beside.far[:_FAR]))
        more = f", and {many - _FAR} more" if many > _FAR else ""
        are = "1 open report has" if many == 1 else f"{many} open reports have"
        it = "it is" if many == 1 else "they are"
        said.append(
            f"{are} no light within {beside.within_m:.0f} m, so {it} put on none: "
            f"{named}{more}."
        )
    if beside.passed_on:
        said.append(f"Closed as not ours, and passed on: {beside.passed_on} in all.")
    return "\n".join(_filled(one) for one in said)


def _names(names: Sequence[str]) -> str:
    shown = ", ".join(names[:_NAMED])
    more = len(names) - _NAMED
    return f"{shown} and {more} more" if more > 0 else shown


def _plain(word: str) -> str:
    return word.replace("_", " ")


def _circuit(outage: Outage) -> str:
    if outage.verdict == "area_outage" or outage.over:
        return "over several circuits"
    if outage.circuit_id is None:
        return "no circuit on record"
    fed = {True: ", underground", False: ", overhead", None: ", feed not on record"}
    named = outage.verdict == "supply_fault" and outage.at_cabinet is None
    said = "" if named else fed[outage.underground]
    return f"on circuit {outage.circuit_id}{said}"


def _since(outage: Outage, now: datetime) -> str:
    """Say what was reported when, and since when it is dark."""
    lights, symptom = _names(outage.reported), symptom_said(outage.symptom)
    first = f"{day_of(outage.since, now)} {outage.since:%H:%M}"
    said = f"Reported {symptom}: {lights}, first on {first}."
    if outage.dark_since:
        said += f" Dark since about {day_of(outage.dark_since, now)}."
    return said


def _places(outage: Outage) -> str:
    """Say which sections it could be; '' where none is on record or it is no fault."""
    if outage.verdict != "supply_fault" or not outage.sections or outage.inferred:
        return ""
    named = [f"{name} ({per_cent(one)})" for name, one in outage.sections[:3]]
    if source_is_likeliest(outage):
        return f"Most likely at the source; of the sections {', then '.join(named)}."
    return f"Most likely section {', then '.join(named)}."


def _silent(outage: Outage) -> str:
    silent = not_heard_from(outage)
    if not silent or not is_shared(outage):
        return ""
    are = (
        "light on this stretch is" if len(silent) == 1 else "lights on this stretch are"
    )
    return f"Not heard from: {len(silent)} {are} probably dark too ({_names(silent)})."


def _paragraph(outage: Outage, now: datetime, wrong: Sequence[Misdrawn]) -> str:
    """Say one outage in a paragraph."""
    said = []
    if outage.danger:
        dangers = ", ".join(map(_plain, outage.danger))
        said.append(f"DANGER reported: {dangers}. Make safe first.")
    said.append(f"{verdict_said(outage)}, {_circuit(outage)}.")
    said.append(_since(outage, now))
    said += [f"{sentence(one)}." for one in outage.why]
    said += [_places(outage), _silent(outage)]
    said.append(next_said(outage))
    said += [
        f"Record in doubt: {one}." for one in wrong if one.light_id in outage.lights
    ]
    said.append(f"What would change this: {would_change(outage)}.")
    return " ".join(filter(None, said))


def outages_text(
    as_of: str,
    outages: Sequence[Outage],
    wrong: Sequence[Misdrawn] = (),
    beside: Apart = NONE_APART,
) -> str:
    """Return one paragraph an outage, danger first, under the usual cautions.

    Parameters
    ----------
    as_of
        When it was judged, RFC 3339.
    outages
        Every open trouble.
    wrong
        Lights that are probably on another circuit than is on record.
    beside
        What is on no light.
    """
    now = datetime.fromisoformat(as_of)
    apart = beside_text(beside, now)
    if not outages:
        nothing = "Nothing else" if beside.far else "Nothing"
        return "\n\n".join(filter(None, [f"{nothing} is open as of {as_of}.", apart]))
    head = [f"{len(outages)} open as of {as_of}. {METHOD}", *CAUTIONS]
    doubted = [one for one in outages if one.shown == "no_fault" and not one.danger]
    believed = [one for one in outages if one not in doubted]
    said = [_paragraph(one, now, wrong) for one in believed]
    if doubted:
        said.append("Open on paper, probably nothing there:")
        said += [_paragraph(one, now, wrong) for one in doubted]
    parts = ["\n".join(_filled(line) for line in head), *map(_filled, said)]
    if wrong:
        apart = "\n".join(filter(None, [apart, _filled(f"{many_said(wrong)}: {SEE}")]))
    parts += [apart] if apart else []
    if any(one.underground and is_shared(one) for one in outages):
        rules = (f"{i}. {line}" for i, line in enumerate(UNDERGROUND, 1))
        parts.append("\n".join(["Before work on a buried feed:", *map(_filled, rules)]))
    return "\n\n".join(parts)


def _filled(text: str) -> str:
    return fill(text, _WIDTH).replace(NBSP, " ")
