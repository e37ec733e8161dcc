"""What the records can answer, as a document and on one screen."""

from __future__ import annotations

from itertools import groupby
from textwrap import fill
from typing import Any

from lightwatch.decisions.coverage import Coverage, Filled, Kept, Wanted
from lightwatch.nights import LocalTime

_WIDTH = 88


def _month(instant: int | None, clock: LocalTime) -> str:
    return "" if instant is None else f"{clock.at(instant):%b %Y}"


def until_said(kept: Kept, as_of: int, clock: LocalTime) -> str:
    """Return how far records reach, as it is said: 'now', or the month."""
    runs_on = kept.until is not None and kept.until >= as_of
    return "now" if runs_on else _month(kept.until, clock)


def share_said(one: Filled) -> str:
    """Return a share in per cent, never 0 or 100 but where it is none or all."""
    if one.share is None:
        return "none"
    if 0 < one.have < one.of:
        return f"{min(max(round(100 * one.share), 1), 99)} %"
    return f"{100 * one.share:.0f} %"


def wanted_said(one: Wanted) -> str:
    """Return what is missing and for what, in a line."""
    lack = "all" if one.missing >= 1 else f"{max(round(100 * one.missing), 1)} %"
    return f"{one.record}: {lack} missing; for {', '.join(one.answers)}"


def coverage_document(
    as_of: str, found: Coverage, until: int, clock: LocalTime
) -> dict[str, Any]:
    """Return it as a JSON document.

    Parameters
    ----------
    as_of, until
        The register's day, written and as an instant.
    found
        What the store holds and can answer.
    clock
        Of the place.
    """

    def written(instant: int | None) -> str | None:
        return None if instant is None else clock.written(instant)

    return {
        "as_of": as_of,
        "records": [
            {
                "kind": one.kind,
                "count": one.count,
                "first": written(one.first),
                "last": written(one.last),
                "complete_to": written(one.until),
                "run_on": one.until is not None and one.until >= until,
            }
            for one in found.kept
        ],
        "filled_in": [
            {
                "file": one.file,
                "what": one.what,
                "have": one.have,
                "of": one.of,
                "share": one.share,
            }
            for one in found.filled
        ],
        "answers": [
            {
                "command": one.command,
                "how_well": one.how_well,
                "judged_by": one.judged_by,
            }
            for one in found.answers
        ],
        "would_add_most": [
            {
                "record": one.record,
                "missing": one.missing,
                "answers": list(one.answers),
            }
            for one in found.wanted
        ],
    }


def coverage_text(as_of: str, found: Coverage, until: int, clock: LocalTime) -> str:
    """Return it on one screen."""
    lines = [f"{'records':12}{'count':>9}  {'first':10}{'last':10}complete to"]
    lines += [
        f"{one.kind:12}{one.count:>9,}  {_month(one.first, clock):10}"
        f"{_month(one.last, clock):10}{until_said(one, until, clock)}".rstrip()
        for one in found.kept
    ]
    filled = []
    for file, some in groupby(found.filled, key=lambda one: one.file):
        rows = list(some)
        said = ", ".join(f"{share_said(one)} {one.what}" for one in rows)
        text = f"Of {rows[0].of:,} {file}: {said}." if rows[0].of else f"No {file}."
        filled.append(fill(text, _WIDTH, subsequent_indent="  "))
    answers = [f"{'answer':16}{'how well':12}judged by"]
    answers += [
        fill(
            f"{one.command:16}{one.how_well:12}{one.judged_by}",
            _WIDTH,
            subsequent_indent=" " * 28,
        )
        for one in found.answers
    ]
    wanted = ["What would add most:"]
    wanted += [
        fill(f"{i}. {wanted_said(one)}", _WIDTH, subsequent_indent="   ")
        for i, one in enumerate(found.wanted, 1)
    ] or ["nothing: each kind of record is there"]
    head = f"What the records can answer, as of {as_of}."
    parts = [[head], lines, filled, answers, wanted]
    return "\n\n".join("\n".join(part) for part in parts)
