"""Live, dead, could not open: what a test of voltage on a shared fault logs."""

from __future__ import annotations

from lightwatch.decisions.triage import NextTest, Outage
from lightwatch.decisions.triage.spoken import is_shared
from lightwatch.words import DEAD, LIVE, SHUT

Values = dict[str, str]
"""Columns of a repair, as text."""

KINDS = {"live": "Live at", "dead": "Dead at", "could_not_open": "Could not open"}
"""What may come of a test, and its button, before the name of the place."""

_ACTIONS = {"live": LIVE, "dead": DEAD, "could_not_open": SHUT}


def _place(test: NextTest, circuit_id: str) -> Values:
    """Return the column that names where the test was made."""
    if test.light_id:
        return {"light_id": test.light_id}
    if test.section_id:
        return {"section_id": test.section_id}
    return {"circuit_id": circuit_id}


def readings_at(place: Values) -> dict[str, Values]:
    """Return what each button logs at a place; volts only where they are typed."""
    return {kind: {"action": action, **place} for kind, action in _ACTIONS.items()}


def readings(outage: Outage) -> dict[str, Values] | None:
    """Return what each button logs; None where there is nothing to test.

    A light that is likelier on its own is tested too where the feed was searched.

    Parameters
    ----------
    outage
        The trouble, with where to test first.
    """
    test = outage.test_first
    if test is None or not outage.circuit_id:
        return None
    if not (is_shared(outage) or outage.searched):
        return None
    return readings_at(_place(test, outage.circuit_id))
