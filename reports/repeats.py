"""Repeat failures as the contract's JSON document and as readable tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from lightwatch.decisions.batches import Batch
from lightwatch.decisions.cautions import CAUTIONS
from lightwatch.decisions.repeats import BadCircuit, RepeatLight, Repeats, Unheld

MOST = 15
"""So many rows a table has on the screen; the JSON has all."""

METHOD = (
    "Observed against expected of the same kinds, types and ages; the ratio is drawn "
    "towards that of all alike, with 95 % limits. 1 is as expected."
)


def _light(one: RepeatLight) -> dict[str, Any]:
    return {
        "light_id": one.light_id,
        "failures": one.excess.failures,
        "expected": one.excess.expected,
        "excess": one.excess.ratio,
        "excess_low": one.excess.low,
        "excess_high": one.excess.high,
        "unheld": one.unheld,
        "callbacks": one.callbacks,
        "in_excess": one.excess.named,
        "why": one.why,
        "ask": list(one.ask),
    }


CONSTRUCTION = {
    "underground_direct": "direct-buried",
    "underground_duct": "in duct",
    "overhead": "overhead",
}


def why_bad(one: BadCircuit, *, grows: bool) -> str:
    """Say in a line why a circuit is where it is."""
    said = []
    if one.sections:
        worst = one.sections[0]
        said.append(CONSTRUCTION.get(worst.kind, worst.kind.replace("_", " ")))
        ages = [part.age_years for part in one.sections if part.age_years is not None]
        said.append(f"{round(max(ages))} years" if ages else "of unknown age")
    else:
        said.append("no section on record")
    if one.wet:
        said.append("wet")
    if one.supply_faults > 1:
        said.append(f"supply point {one.supply_faults} times")
    again = [part for part in one.sections if part.faults > 1]
    if again:
        said.append(f"{again[0].section_id} {again[0].faults} times")
    if grows:
        said.append("ever more often")
    return ", ".join(said)


def _circuit(one: BadCircuit, *, grows: bool) -> dict[str, Any]:
    return {
        "circuit_id": one.circuit_id,
        "faults": one.excess.failures,
        "expected": one.excess.expected,
        "excess": one.excess.ratio,
        "excess_low": one.excess.low,
        "excess_high": one.excess.high,
        "in_excess": one.excess.named,
        "expected_next_2y": one.next_2y,
        "expected_next_2y_low": one.low,
        "expected_next_2y_high": one.high,
        "expected_next_2y_rebuilt": one.rebuilt_2y,
        "why": why_bad(one, grows=grows),
    }


def _batch(one: Batch) -> dict[str, Any]:
    return {
        "model": one.model,
        "vintage": one.vintage,
        "maker": one.maker,
        "failures": one.failures,
        "expected": one.expected,
        "ratio": one.ratio,
        "low": one.low,
        "high": one.high,
        "in_service": one.in_service,
        "alarm_on": one.alarm_on,
    }


def _unheld(one: Unheld) -> dict[str, Any]:
    return {
        "repair_id": one.repair_id,
        "light_id": one.light_id,
        "part": one.part,
        "again_after_days": one.again_after_days,
        "finally": one.finally_,
    }


def repeats_document(as_of: str, found: Repeats) -> dict[str, Any]:
    """Return the contract's JSON document."""
    grows = found.grows("circuit")
    return {
        "as_of": as_of,
        "method": METHOD,
        "lights": [_light(one) for one in found.lights],
        "circuits": [
            _circuit(one, grows=one.circuit_id in grows) for one in found.circuits
        ],
        "batches": [_batch(one) for one in found.batches],
        "unheld_repairs": [_unheld(one) for one in found.unheld],
    }


def _table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    every = [list(heads), *map(list, rows)]
    if len(every) == 1:
        return f"{title}\n  none"
    wide = [max(len(row[i]) for row in every) for i in range(len(heads))]
    last = len(heads) - 1
    lines = [
        "  "
        + "  ".join(
            cell.ljust(wide[i]) if i in (0, last) else cell.rjust(wide[i])
            for i, cell in enumerate(row)
        ).rstrip()
        for row in every
    ]
    return "\n".join([title, *lines])


def _ratio(ratio: float, low: float, high: float) -> str:
    return f"{ratio:.2f} ({low:.2f}-{high:.2f})"


def _cut(title: str, shown: int, of: int) -> str:
    return f"{title}: {of:,}" + (f", the first {shown}" if of > shown else "")


def repeats_text(as_of: str, found: Repeats) -> str:
    """Return it as tables, the worst of each."""
    grows = found.grows("circuit")
    lights, circuits = found.lights[:MOST], found.circuits[:MOST]
    batches, unheld = found.batches[:MOST], found.unheld[:MOST]
    return "\n\n".join(
        [
            f"Again and again, as of {as_of}. {METHOD}",
            _table(
                _cut("Lights that failed again", len(lights), len(found.lights)),
                ("light", "failures", "expected", "excess", "why"),
                (
                    (
                        one.light_id,
                        str(one.excess.failures),
                        f"{one.excess.expected:.2f}",
                        _ratio(one.excess.ratio, one.excess.low, one.excess.high),
                        "; ".join((one.why, *one.ask)),
                    )
                    for one in lights
                ),
            ),
            _table(
                _cut(
                    "Circuits by faults expected in two years",
                    len(circuits),
                    len(found.circuits),
                ),
                ("circuit", "faults", "expected", "excess", "next 2 years", "rebuilt",
                 "why"),
                (
                    (
                        one.circuit_id,
                        str(one.excess.failures),
                        f"{one.excess.expected:.2f}",
                        _ratio(one.excess.ratio, one.excess.low, one.excess.high),
                        _ratio(one.next_2y, one.low, one.high),
                        f"{one.rebuilt_2y:.2f}",
                        why_bad(one, grows=one.circuit_id in grows),
                    )
                    for one in circuits
                ),
            ),
            _table(
                _cut("Batches, worst first", len(batches), len(found.batches)),
                ("model", "year", "failures", "expected", "ratio", "in service",
                 "alarm on"),
                (
                    (
                        one.model,
                        one.vintage,
                        str(one.failures),
                        f"{one.expected:.1f}",
                        _ratio(one.ratio, one.low, one.high),
                        str(one.in_service),
                        one.alarm_on or "-",
                    )
                    for one in batches
                ),
            ),
            _table(
                _cut(
                    "Repairs that did not hold, latest first",
                    len(unheld),
                    len(found.unheld),
                ),
                ("repair", "light", "part", "again after", "ended by"),
                (
                    (
                        one.repair_id,
                        one.light_id,
                        one.part.replace("_", " "),
                        f"{one.again_after_days:.0f} d",
                        (one.finally_ or "none on record").replace("_", " "),
                    )
                    for one in unheld
                ),
            ),
            "Questions to check, not answers; none is about a person.",
            "\n".join(CAUTIONS),
        ]
    )  # fmt: skip
