"""Answers as the contract's JSON documents and as readable tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lightwatch.rates import Rate, RateRow

CONFIDENCE = 0.95
_FEW = 5
"""With fewer failures than this, the limits say more than the rate does."""


def rates_document(
    as_of: str,
    rows: Sequence[RateRow],
    drawn: Sequence[Rate | None] | None = None,
) -> dict[str, Any]:
    """Return the contract's JSON document of rates, per 1,000 unit-years.

    ``drawn`` are the same groups' rates drawn towards those of their kind.
    """
    documents = [
        {
            **row.group,
            "unit": row.unit,
            "unit_years": row.unit_years,
            "failures": row.failures,
            **_per_1000(row.rate, ("rate_per_1000", "low", "high")),
        }
        for row in rows
    ]
    for document, rate in zip(documents, drawn or (), strict=drawn is not None):
        document.update(_per_1000(rate, ("drawn_per_1000", "drawn_low", "drawn_high")))
    return {"as_of": as_of, "confidence": CONFIDENCE, "rows": documents}


def _per_1000(rate: Rate | None, names: Sequence[str]) -> dict[str, float | None]:
    if rate is None:
        return dict.fromkeys(names)
    values = rate.per_year, rate.low_per_year, rate.high_per_year
    return {name: one * 1000 for name, one in zip(names, values, strict=True)}


def _remark(row: RateRow) -> str:
    if row.rate is None and row.unit_years > 0:
        return "not known: no repair says at which light it was"
    if row.rate is None:
        return "too little to say: nothing of this kind was under watch"
    if row.failures == 0:
        return "too little to say: no failure yet"
    if row.failures < _FEW:
        return "too little to say: few failures yet"
    return ""


def rates_text(
    as_of: str,
    rows: Sequence[RateRow],
    drawn: Sequence[Rate | None] | None = None,
) -> str:
    """Return a readable table of rates."""
    if not rows:
        return f"Nothing was under watch before {as_of}."
    names = list(rows[0].group)
    widths = [max(len(n), *(len(r.group[n]) for r in rows)) + 2 for n in names]
    head = "".join(f"{n:{w}}" for n, w in zip(names, widths, strict=True))
    lines = [
        f"Failures per 1,000 unit-years (km-years for cable and line) as of {as_of},",
        "with exact 95 % limits.",
        "",
        f"{head}{'unit-years':>12}{'failures':>10}{'rate':>9}{'low':>9}{'high':>9}",
    ]
    if drawn is not None:
        lines[1] = (
            "with exact 95 % limits; then drawn towards all of the kind, with\n"
            "posterior limits: what a thin group's own failures tell, and no more."
        )
        lines[-1] += f"{'drawn':>9}{'low':>9}{'high':>9}"
    for i, row in enumerate(rows):
        cells = (row.group[n].ljust(w) for n, w in zip(names, widths, strict=True))
        line = "".join(cells) + f"{row.unit_years:>12,.1f}{row.failures:>10,}"
        if row.rate:
            rate = row.rate
            for value in (rate.per_year, rate.low_per_year, rate.high_per_year):
                line += f"{value * 1000:>9.2f}"
        else:
            line += f"{'-':>9}" * 3
        if drawn is not None:
            of_its_own = _per_1000(drawn[i], ("rate", "low", "high")).values()
            line += "".join(
                f"{'-' if x is None else format(x, '.2f'):>9}" for x in of_its_own
            )
        remark = _remark(row) if drawn is None else ""
        lines.append(f"{line}   {remark}" if remark else line)
    return "\n".join(lines)
