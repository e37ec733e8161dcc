"""How long things last, as the contract's document and as a readable table."""

from __future__ import annotations

from typing import Any

from lightwatch.rates.life_models import LeftOut, LifeFit, LifeModels

CONFIDENCE = 0.95
_DAYS = {"freeze_thaw": "freeze_thaw_days", "wet": "wet_days"}


def _fit(fit: LifeFit) -> dict[str, Any]:
    shape, scale = fit.weibull.limits("shape"), fit.weibull.limits("scale")
    factor = fit.to_mean_weather
    return {
        "kind": fit.kind,
        "type": fit.type,
        "lives": fit.lives,
        "failures": fit.failures,
        "shape": fit.weibull.shape,
        "shape_low": shape.low,
        "shape_high": shape.high,
        "scale_years": fit.weibull.scale_years * factor,
        "scale_low": scale.low * factor,
        "scale_high": scale.high * factor,
        "median_years": fit.weibull.median_years * factor,
        "b10_years": fit.weibull.b10_years * factor,
    }


def _left_out(one: LeftOut) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "type": one.type,
        "lives": one.lives,
        "failures": one.failures,
        "reason": one.reason,
    }


def lives_document(as_of: str, models: LifeModels) -> dict[str, Any]:
    """Return the contract's JSON document of lives."""
    return {
        "as_of": as_of,
        "confidence": CONFIDENCE,
        "fits": [_fit(fit) for fit in models.fits],
        "weather": [
            {
                "kind": kind,
                "covariate": _DAYS[covariate],
                "hazard_ratio_per_day": ratio.per_day,
                "low": ratio.low,
                "high": ratio.high,
            }
            for kind, covariate, ratio in models.ratios()
        ],
        "left_out": [_left_out(one) for one in models.left_out],
    }


def _life_line(row: dict[str, Any]) -> str:
    shape = f"{row['shape']:.2f} ({row['shape_low']:.2f}-{row['shape_high']:.2f})"
    scale = (
        f"{row['scale_years']:.1f} ({row['scale_low']:.1f}-{row['scale_high']:.1f})"
    )
    return (
        f"{row['kind']:13}{row['type']:20}{row['failures']:>8,}{row['b10_years']:>7.1f}"
        f"{row['median_years']:>8.1f}  {scale:22}{shape}"
    )


def lives_text(as_of: str, models: LifeModels) -> str:
    """Return a readable account of lives, weather and what was left out."""
    document = lives_document(as_of, models)
    lines = [
        f"How long things last, as of {as_of}: a Weibull life per kind and type, at the",
        "mean weather since the register opened, with 95 % limits. Years; cable and",
        "line per km. A shape above 1 wears out, below 1 fails early, 1 just fails.",
        "",
        f"{'kind':13}{'type':20}{'failures':>8}{'B10':>7}{'median':>8}  "
        f"{'scale':22}shape",
        *map(_life_line, document["fits"]),
        "",
        "Ratio of the hazard for one day more in the month in which it failed:",
    ]
    lines += [
        f"{row['kind']:13}{row['covariate']:18}{row['hazard_ratio_per_day']:7.3f}  "
        f"({row['low']:.3f}-{row['high']:.3f})"
        for row in document["weather"]
    ] or ["no kind has failures enough"]
    lines += ["", "Left out:"]
    lines += [
        f"{row['kind']:13}{row['type']:20}{row['lives']:>7,} lives "
        f"{row['failures']:>6,} failures: {row['reason']}"
        for row in document["left_out"]
    ] or ["nothing"]
    return "\n".join(lines)
