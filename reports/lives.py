"""How long things last, as the contract's document and as a readable table."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from lightwatch.rates.backtest import Forecast
from lightwatch.rates.feed_history import FeedHistory
from lightwatch.rates.life_models import LeftOut, LifeFit, LifeModels
from reports.burning import burning_document, burning_text
from reports.noticing import gaps_document, gaps_text, noticing_document, noticing_text

CONFIDENCE = 0.95
_DAYS = {"freeze_thaw": "freeze_thaw_days", "wet": "wet_days"}


def _fit(fit: LifeFit) -> dict[str, Any]:
    shape, scale = fit.shape, fit.weibull.limits("scale")
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
        "remark": fit.goodness.in_words() if fit.goodness else "",
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
        "weather_gaps": gaps_document(models.gaps),
        "burning": burning_document(models),
        "detection": noticing_document(models.detection),
        "left_out": [_left_out(one) for one in models.left_out],
    }


def _life_line(row: dict[str, Any]) -> str:
    shape = f"{row['shape']:.2f} ({row['shape_low']:.2f}-{row['shape_high']:.2f})"
    scale = f"{row['scale_years']:.1f} ({row['scale_low']:.1f}-{row['scale_high']:.1f})"
    return (
        f"{row['kind']:13}{row['type']:20}{row['failures']:>8,}{row['b10_years']:>7.1f}"
        f"{row['median_years']:>8.1f}  {scale:22}{shape}"
        + (f"\n{'':13}{row['remark']}" if row["remark"] else "")
    )


def lives_text(as_of: str, models: LifeModels) -> str:
    """Return a readable account of lives, weather and what was left out."""
    document = lives_document(as_of, models)
    lines = [
        f"How long things last, as of {as_of}: a Weibull life per kind and type,",
        "at the mean weather since the register opened, with 95 % limits. Years; cable",
        "and line per km. Shape above 1: wears out; below 1: fails early.",
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
    if models.weather:
        lines.append(gaps_text(models.gaps))
    if models.lit:
        lines += ["", burning_text(models)]
    lines += ["", noticing_text(models.detection), "", "Left out:"]
    lines += [
        f"{row['kind']:13}{row['type']:20}{row['lives']:>7,} lives "
        f"{row['failures']:>6,} failures: {row['reason']}"
        for row in document["left_out"]
    ] or ["nothing"]
    return "\n".join(lines)


def backtest_document(forecasts: Sequence[Forecast]) -> list[dict[str, Any]]:
    """Return past years' forecasts against what came, for the JSON document."""
    return [
        {
            "kind": one.kind,
            "type": one.type,
            "expected": one.expected,
            "low": one.low,
            "high": one.high,
            "failures": one.failures,
            "inside": one.is_inside,
        }
        for one in forecasts
    ]


def backtest_text(forecasts: Sequence[Forecast]) -> str:
    """Say how past years' fits did in the year after each."""
    if not forecasts:
        return "Backtest: too few years of records to hold a fit against the next year."
    inside = sum(one.is_inside for one in forecasts)
    lines = [
        f"Backtest: of {len(forecasts)} forecasts of a kind and type for the year "
        f"after, {inside} ({inside / len(forecasts):.0%}) had what came inside their "
        "95 % interval.",
        "Years from the earliest on: expected (interval) came",
    ]
    for key, some in groupby(forecasts, key=lambda one: (one.kind, one.type)):
        years = "  ".join(
            f"{one.expected:.0f} ({one.low:.0f}-{one.high:.0f}) {one.failures}"
            + ("" if one.is_inside else "!")
            for one in some
        )
        lines.append(f"{key[0]:13}{key[1]:20}{years}")
    return "\n".join(lines)


def feeds_text(histories: Sequence[FeedHistory], most: int = 5) -> str:
    """Name the circuits with more supply faults than their like."""
    worse = [one for one in histories if one.low > 1.0][:most]
    if not worse:
        return (
            "No circuit has more supply faults than its construction and age explain."
        )
    lines = [
        "Circuits with more supply faults than construction, age and place explain:"
    ]
    lines += [
        f"{one.circuit_id:13}{one.faults:>3} faults, {one.expected:.2f} expected, "
        f"ratio {one.ratio:.1f} ({one.low:.1f}-{one.high:.1f})"
        for one in worse
    ]
    return "\n".join(lines)
