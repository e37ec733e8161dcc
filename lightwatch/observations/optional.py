"""Values that a row can do without, and those of which a blank would say too much.

A value that cannot be read, of a column that may be blank, is left blank with a
warning; its row stays. Not so where the blank has a meaning of its own.
"""

from __future__ import annotations

from lightwatch.words import Resource

A_BLANK_WOULD_SAY = {
    ("lights", "removed_on"): "that it still stands",
    ("reports", "danger"): "that nothing dangerous was reported",
    ("repairs", "recorded_at"): "that the office knew of it at once",
    ("repairs", "made_safe"): "that it was not left safe but dark",
    ("repairs", "follow_up"): "that nothing more must happen",
    ("repairs", "temporary_feed_until"): "that there is no temporary feed",
    ("patrols", "kind"): "that it was a patrol by night",
    ("stock", "on_hand"): "that the shelf is empty",
    ("stock", "on_order"): "that nothing is on order",
}
"""Columns that may be blank, but whose bad values still reject their rows."""

WHAT_A_BLANK_COUNTS_AS = {
    ("lights", "in_service"): ", as if in service before the register was opened",
    ("reports", "closed_at"): ": the report counts as not closed",
}
"""What the warning says where a blank is harmless enough, but not nothing.

A light that is lost takes its parts and its history with it, and its reports go to its
neighbours: that is worse than too early a first day.
"""


def can_do_without(resource: Resource, column: str) -> bool:
    """Tell whether a row may stay if this value is left out."""
    field = next((one for one in resource.fields if one.name == column), None)
    if field is None or field.required:
        return False
    return (resource.name, column) not in A_BLANK_WOULD_SAY


def why_rejected(resource: Resource, column: str, reason: str) -> str:
    """Return a reason, with what a blank would have said."""
    said = A_BLANK_WOULD_SAY.get((resource.name, column))
    return f"{reason}; a blank would say {said}" if said else reason
