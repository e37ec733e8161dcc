"""What became of a package, as a table and as a document."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from lightwatch.observations.absent import WITHOUT
from lightwatch.observations.intake import TOO_MANY
from lightwatch.observations.outcome import Count, Outcome, alike

_COLUMNS = ("read", "loaded", "changed", "unchanged", "rejected", "warnings")
_SHOWN = 12
_NAMED = 5
_REASONS = 3


def as_document(outcome: Outcome, rejects: Path) -> dict[str, Any]:
    """Return the contract's JSON document of a load."""
    return {
        "resources": {
            name: {**asdict(count), "went_in": 1.0 - count.refused}
            for name, count in outcome.counts.items()
        },
        "rejects": str(rejects),
        "refused": outcome.refused,
        "checked": outcome.checked,
        "warnings": [
            {"resource": name, "row": row, "reason": reason}
            for name, row, reason in outcome.warnings
        ],
        "mostly_refused": {
            name: [
                {"reason": reason, "rows": rows}
                for reason, rows in outcome.commonest(name, _REASONS)
            ]
            for name in outcome.mostly_refused(TOO_MANY)
        },
        "absent": {name: WITHOUT[name] for name in outcome.absent},
        "circuits_made": outcome.circuits_made,
        "named_by_tag": dict(outcome.tagged),
        "missing_lights": [asdict(one) for one in outcome.missing],
        "missing_circuits": outcome.missing_circuits,
        "removed_lights": outcome.removed,
    }


def as_text(outcome: Outcome, rejects: Path, missing: Path) -> str:
    """Return a readable table of a load, and what matters about it.

    Parameters
    ----------
    outcome
        What became of the package.
    rejects, missing
        Where the bad values, and the lights that are not in it, are listed.
    """
    lines = [f"{'':12}" + "".join(f"{name:>11}" for name in _COLUMNS)]
    for name, count in outcome.counts.items():
        numbers = asdict(count)
        lines.append(f"{name:12}" + "".join(f"{numbers[c]:>11,}" for c in _COLUMNS))
    lines += _warnings(outcome)
    lines += _made_of_it(outcome)
    lines += _missing(outcome, missing)
    if outcome.rejects:
        rows = sum(count.rejected for count in outcome.counts.values())
        lines.append(f"{rows:,} rows rejected: each bad value is a line of {rejects}")
    lines += _shares(outcome)
    lines += _too_many(outcome)
    if outcome.checked:
        lines.append("Checked only: nothing was changed.")
    return "\n".join(lines)


def _warnings(outcome: Outcome) -> Iterator[str]:
    kinds: dict[tuple[str, str], list[tuple[int, str]]] = {}
    for name, row, reason in outcome.warnings:
        kinds.setdefault((name, alike(reason)), []).append((row, reason))
    ordered = sorted(kinds.items(), key=lambda kind: -len(kind[1]))
    for (name, _), rows in ordered[:_SHOWN]:
        line, reason = rows[0]
        times = f"{len(rows):,} rows, first line {line}" if rows[1:] else f"line {line}"
        yield f"warning: {name}, {times}: {reason}"
    if len(ordered) > _SHOWN:
        more = sum(len(rows) for _, rows in ordered[_SHOWN:])
        yield f"and {more:,} warnings of {len(ordered) - _SHOWN} other kinds (--json)"


def _made_of_it(outcome: Outcome) -> Iterator[str]:
    for name, count in outcome.counts.items():
        if count.repeated:
            yield f"{name}: {count.repeated:,} rows repeat an earlier one"
    for name, rows in outcome.tagged.items():
        yield f"{name}: {rows:,} rows name a light by its pole or its new number"
    if outcome.circuits_made:
        yield (
            f"{outcome.circuits_made:,} circuits made from what lights and sections "
            "name: there is no circuits file"
        )
    for name in outcome.absent:
        yield f"No {name}: {WITHOUT[name]}."


def _named(names: list[str]) -> str:
    more = f" and {len(names) - _NAMED:,} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more


def _missing(outcome: Outcome, missing: Path) -> Iterator[str]:
    if outcome.missing_circuits:
        number, names = len(outcome.missing_circuits), outcome.missing_circuits
        yield f"{number:,} circuits on record are not in this export: {_named(names)}."
    gone = [one.light_id for one in outcome.missing if not one.new_number]
    pairs = [
        f"{one.light_id} is now {one.new_number}"
        for one in outcome.missing
        if one.new_number
    ]
    if gone:
        yield (
            f"{len(gone):,} lights are on record, in service, and not in this export: "
            f"{_named(gone)}. They stay in service."
        )
    if pairs:
        yield (
            f"{len(pairs):,} lights probably have a new number: {_named(pairs)}. Each "
            "is kept as one light."
        )
    if gone or pairs:
        yield f"Say in {missing} what became of them, and load with --missing {missing}"
    if outcome.removed:
        yield f"{outcome.removed:,} lights taken out of service, as you said."


def _percent(count: Count) -> str:
    share = 100 * (1 - count.refused)
    return f"{min(share, 99.9):.1f} %" if count.rejected else "100 %"


def _shares(outcome: Outcome) -> Iterator[str]:
    some = {name: c for name, c in outcome.counts.items() if c.rejected}
    if not some:
        yield "No row is rejected."
        return
    listed = ", ".join(f"{name} {_percent(count)}" for name, count in some.items())
    yield f"Good rows: {listed}; of all other files 100 %."


def _too_many(outcome: Outcome) -> Iterator[str]:
    for name in outcome.mostly_refused(TOO_MANY):
        count = outcome.counts[name]
        yield f"REFUSED: {count.rejected:,} of {count.read:,} rows of {name}."
        for reason, rows in outcome.commonest(name, _REASONS):
            yield f"  {rows:,} times, such as: {reason}"
