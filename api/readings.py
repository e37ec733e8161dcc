"""Live, dead, could not open: what a test of voltage on a shared fault logs."""

from __future__ import annotations

from lightwatch.decisions.triage import NextTest, Outage
from lightwatch.decisions.triage.spoken import is_shared

Values = dict[str, str]
"""Columns of a repair, as text."""

KINDS = {"live": "Live", "dead": "Dead", "could_not_open": "Could not open"}
"""What may come of a test, and its button."""

DEAD_VOLTS = "0"


def _place(test: NextTest, circuit_id: str) -> Values:
    """Return the column that names where the test was made."""
    if test.light_id:
        return {"light_id": test.light_id}
    if test.section_id:
        return {"section_id": test.section_id}
    return {"circuit_id": circuit_id}


def readings(outage: Outage, volts: float | None) -> dict[str, Values] | None:
    """Return what each button logs; None where there is nothing shared to test.

    Parameters
    ----------
    outage
        The trouble, with where to test first.
    volts
        Nominal voltage of the circuit [V]: it stands in for a reading that is not
        typed, and the note says so. None: not on record, so that it must be typed.
    """
    test = outage.test_first
    if test is None or not outage.circuit_id or not is_shared(outage):
        return None
    place = {"action": "follow_up", **_place(test, outage.circuit_id)}
    live = {**place, "notes": f"tested live at {test.where}"}
    if volts:
        live["volts"] = f"{volts:g}"
        live["notes"] += "; volts not typed, the circuit's nominal voltage stands in"
    return {
        "live": live,
        "dead": {
            **place,
            "volts": DEAD_VOLTS,
            "notes": f"tested dead at {test.where}",
        },
        "could_not_open": {**place, "notes": f"could not open {test.where}"},
    }
