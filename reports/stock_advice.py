"""What to change before it fails, and what to claim: document, table, sheet."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from lightwatch.decisions.assumptions import Assumptions
from lightwatch.decisions.cautions import CAUTIONS
from lightwatch.decisions.stock import Advice
from reports.sheets import as_csv

CLAIM_HEAD = (
    "Light", "Circuit", "Part", "Model", "Maker", "Fitted", "Fitted at the latest",
    "Found failed", "Age in years", "Warranty in years", "Repair", "Surely inside",
)  # fmt: skip


def advice_document(advice: Advice) -> dict[str, Any]:
    """Return advice and claims as a JSON document."""
    return {
        "while_there": [asdict(one) for one in advice.replacements],
        "districts": [asdict(one) for one in advice.groups],
        "claims": [asdict(one) for one in advice.claims],
        "claims_expected": [asdict(one) for one in advice.claims_ahead],
    }


def _while_there(advice: Advice) -> list[str]:
    lines = ["While the truck is up there for something else:"]
    for one in advice.replacements:
        name = f"{one.kind.replace('_', ' ')} {one.model}"
        if one.older_than_years is None:
            lines.append(f"  {name}: leave it. {one.why[:1].upper()}{one.why[1:]}.")
        else:
            lines.append(
                f"  {name}: change it once older than {one.older_than_years:.1f} "
                f"years; {one.why} ({one.low:.0%} to {one.high:.0%})."
            )
    return lines


def _districts(advice: Advice) -> list[str]:
    advised = [one for one in advice.groups if one.advised]
    if not advised:
        return [
            "No district is worth changing all at once: running to failure costs less, "
            "or it cannot be told."
        ]
    lines = ["Districts worth changing all at once, over ten years:"]
    return lines + [
        f"  {one.district}: {one.parts} {one.kind.replace('_', ' ')}s, on average "
        f"{one.mean_age_years:.0f} years old; costs {one.cost_now:,.0f} now, saves "
        f"about {one.saving:,.0f} ({one.low:,.0f} to {one.high:,.0f})."
        for one in advised
    ]


def _claims(advice: Advice) -> list[str]:
    surely = sum(one.surely for one in advice.claims)
    lines = [
        f"Warranty: {len(advice.claims)} parts failed inside it over the last year, "
        f"{surely} of them whichever day they were fitted."
    ]
    for one in advice.claims_ahead:
        lines.append(
            f"  {one.maker} {one.model}: {one.under_warranty:,} under warranty; about "
            f"{one.expected:.0f} claims next year ({one.low} to {one.high})."
        )
    return lines


def _costs(assumed: Assumptions) -> list[str]:
    costs = assumed.visits
    return [
        f"Visits are reckoned at ({assumed.said('visits')}, local currency): "
        f"{costs.failure:g} to a light that failed, {costs.dedicated:g} planned for "
        f"one that still works, {costs.while_there:g} more while there, "
        f"{costs.in_a_row:g} each in a row."
    ]


def advice_text(advice: Advice, assumed: Assumptions) -> str:
    """Return advice and claims as a storekeeper or planner would read them."""
    said = [
        _while_there(advice),
        _districts(advice),
        _costs(assumed),
        _claims(advice),
    ]
    return "\n\n".join(["\n".join(part) for part in said] + ["\n".join(CAUTIONS)])


def claims_csv(advice: Advice) -> str:
    """Return the claims, one line a part, as CSV."""
    return as_csv(
        CLAIM_HEAD,
        [
            (
                one.light_id,
                one.circuit_id,
                one.kind.replace("_", " "),
                one.model,
                one.maker,
                one.fitted,
                one.fitted_last,
                one.failed,
                round(one.age_years, 2),
                one.warranty_years,
                one.repair_id,
                "yes" if one.surely else "perhaps",
            )
            for one in advice.claims
        ],
    )
