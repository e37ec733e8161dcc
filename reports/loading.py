"""What became of a package, as a table and as a document."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from lightwatch.observations.outcome import Outcome

_COLUMNS = ("read", "loaded", "changed", "unchanged", "rejected", "warnings")
_SHOWN = 10


def as_document(outcome: Outcome, rejects: Path) -> dict[str, Any]:
    """Return the contract's JSON document of a load."""
    return {
        "resources": {name: asdict(count) for name, count in outcome.counts.items()},
        "rejects": str(rejects),
        "warnings": [
            {"resource": name, "row": row, "reason": reason}
            for name, row, reason in outcome.warnings
        ],
    }


def as_text(outcome: Outcome, rejects: Path) -> str:
    """Return a readable table of a load, with its first warnings."""
    lines = [f"{'':12}" + "".join(f"{name:>11}" for name in _COLUMNS)]
    for name, count in outcome.counts.items():
        numbers = asdict(count)
        lines.append(f"{name:12}" + "".join(f"{numbers[c]:>11,}" for c in _COLUMNS))
    for name, row, reason in outcome.warnings[:_SHOWN]:
        lines.append(f"warning: {name}, line {row}: {reason}")
    if len(outcome.warnings) > _SHOWN:
        lines.append(f"and {len(outcome.warnings) - _SHOWN:,} warnings more (--json)")
    if outcome.rejects:
        rows = sum(count.rejected for count in outcome.counts.values())
        lines.append(f"{rows:,} rows rejected: each bad value is a line of {rejects}")
    return "\n".join(lines)
