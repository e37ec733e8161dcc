"""Lives of what burns, by hours lit: for the answer on lives."""

from __future__ import annotations

from typing import Any

from lightwatch.nights.darkness import BURN_DEG
from lightwatch.rates.life_models import LifeModels

_ASKED = {"burning": "burning", "calendar": "the calendar", "undecided": "undecided"}


def burning_document(models: LifeModels) -> dict[str, Any]:
    """Return lives by hours lit for the JSON document."""
    a_year = models.hours_lit.a_year if models.hours_lit else 0.0
    median = {
        (fit.kind, fit.type): fit.weibull.median_years * fit.to_mean_weather * a_year
        for fit in models.fits
    }
    return {
        "switching_deg": BURN_DEG,
        "hours_a_year": a_year or None,
        "rows": [
            {
                "kind": one.kind,
                "type": one.type,
                "failures": one.failures,
                "unit_hours": one.hours,
                "per_million_hours": one.per_million,
                "low": one.low,
                "high": one.high,
                "median_hours": median.get((one.kind, one.type)),
                "ages_by": one.clock.name if one.clock else None,
                "log_likelihood_for_burning": one.clock.evidence if one.clock else None,
            }
            for one in models.lit
        ],
    }


def _line(row: dict[str, Any]) -> str:
    rate = f"{row['per_million_hours']:.1f} ({row['low']:.1f}-{row['high']:.1f})"
    median = f"{row['median_hours']:,.0f}" if row["median_hours"] else "-"
    ages_by = _ASKED.get(row["ages_by"] or "", "too few failures")
    return (
        f"{row['kind']:13}{row['type']:20}{row['failures']:>8,}"
        f"{row['unit_hours'] / 1e6:>9.1f}  {rate:18}{median:>9}  {ages_by}"
    )


def burning_text(models: LifeModels) -> str:
    """Say how long what burns lasts by hours lit, and whether it ages by them."""
    document = burning_document(models)
    return "\n".join(
        [
            "By hours lit, which rated lives count: on average "
            f"{document['hours_a_year']:,.0f} hours a year, the sun below "
            f"{document['switching_deg']:g} degrees;",
            "known day burning not added. Failures a million hours, median life in "
            "hours; and by what the",
            "kind ages: what failures follow at odds of twenty to one (lives above are "
            "fitted by it).",
            f"{'kind':13}{'type':20}{'failures':>8}{'M hours':>9}  {'a million':18}"
            f"{'median':>9}  ages by",
            *map(_line, document["rows"]),
        ]
    )
