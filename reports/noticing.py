"""How soon trouble is noticed, and what fails again: for the answer on lives."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lightwatch.detection import Detection
from lightwatch.rates.growing import Growing, Recurrence
from lightwatch.rates.trend import PowerLaw
from lightwatch.rates.weather_gaps import WeatherGap

MOST_NAMED = 10
_YEARS = (1.0, 5.0, 10.0)


def gaps_document(gaps: Sequence[WeatherGap]) -> list[dict[str, Any]]:
    """Return months without weather for the JSON document."""
    return [
        {
            "station": gap.station,
            "from": gap.first,
            "to": gap.last,
            "unit_years_left_out": gap.unit_years,
            "failures_left_out": gap.failures,
        }
        for gap in gaps
    ]


def gaps_text(gaps: Sequence[WeatherGap]) -> str:
    """Say where the weather file has gaps, and what they cost."""
    if not gaps:
        return "The weather file has no gap in the time of the register."
    lines = ["Gaps in the weather file, left out of the weather models and not filled:"]
    lines += [
        f"{gap.station}: {gap.first} to {gap.last} ({gap.unit_years:,.0f} unit-years, "
        f"{gap.failures:.0f} failures)"
        for gap in gaps
    ]
    return "\n".join(lines)


def noticing_document(found: Detection) -> dict[str, Any]:
    """Return how soon trouble is noticed for the JSON document.

    What patrols note is null where none ever passed a light.
    """
    passes = found.passes_per_day * 365.25
    return {
        "patrol_passes_per_year": passes or None,
        "symptoms": [
            {
                "symptom": name,
                "reports_per_day": rate,
                "patrol_hit": found.hit_chance(name) if passes else None,
                "mean_delay_days": found.mean_delay_days(name),
            }
            for name, rate in sorted(found.per_day.items())
        ],
        "road_classes": [
            {"road_class": name or None, "ratio": ratio}
            for name, ratio in sorted(found.places.road_class.items())
        ],
        "districts": [
            {"district": name, "ratio": ratio}
            for name, ratio in sorted(found.places.district.items())
        ],
    }


def noticing_text(found: Detection) -> str:
    """Say how soon trouble is noticed, by symptom, class of road and district."""
    if not found.per_day:
        return (
            "How soon trouble is noticed is not known, because no report that a repair"
            "\nanswered is on record; load reports."
        )
    passes = found.passes_per_day * 365.25
    passed = (
        f"a night patrol passes it\n{passes:.1f} times a year:"
        if passes
        else "no night patrol is\non record:"
    )
    lines = [
        f"How soon trouble is noticed, of an average light; {passed}",
        f"{'symptom':14}{'reports a month':>16}{'seen by a pass':>16}"
        f"{'mean delay, days':>18}",
    ]
    lines += [
        f"{name:14}{rate * 365.25 / 12:>16.2f}"
        f"{f'{found.hit_chance(name):.0%}' if passes else '-':>16}"
        f"{found.mean_delay_days(name):>18.0f}"
        for name, rate in sorted(found.per_day.items())
    ]
    ratios = ", ".join(
        f"{name or 'no class'} {ratio:.2f}"
        for name, ratio in sorted(found.places.road_class.items())
    )
    lines.append(f"Reports against those on an average light, by road class: {ratios};")
    around = found.places.district.values()
    if around:
        lines.append(
            f"by district of like many lights ({len(around)}): "
            f"{min(around):.2f} to {max(around):.2f}."
        )
    return "\n".join(lines)


def _law(law: PowerLaw | None) -> dict[str, float] | None:
    if law is None:
        return None
    return {"shape": law.shape, "low": law.shape_low, "high": law.shape_high}


def _growing(one: Growing) -> dict[str, Any]:
    return {
        "id": one.name,
        "failures": one.failures,
        "watched_years": one.watched_years,
        "laplace": one.laplace,
        "p_value": one.p_value,
        "power_law": _law(one.law),
    }


def recurrence_document(found: Sequence[Recurrence]) -> list[dict[str, Any]]:
    """Return what fails again, and what grows worse, for the JSON document."""
    return [
        {
            "level": one.level,
            "units": one.units,
            "failures": one.failures,
            "mean_failures": _means(one),
            "laplace": one.laplace,
            "p_value": one.p_value,
            "power_law": _law(one.law),
            "tested": one.tested,
            "growing": [_growing(unit) for unit in one.growing],
        }
        for one in found
    ]


def _means(one: Recurrence) -> list[dict[str, float]]:
    rows: list[dict[str, float]] = []
    for years in (*_YEARS, float(one.mean.age[-1])):
        if years <= one.mean.age[-1] and all(row["years"] != years for row in rows):
            mean, low, high = one.mean.at(years)
            rows.append({"years": years, "mean": mean, "low": low, "high": high})
    return rows


def recurrence_text(found: Sequence[Recurrence]) -> str:
    """Say how often circuits and lights fail again, and which of them grow worse."""
    if not found:
        return "Nothing has failed yet, so nothing has failed again."
    return "\n".join(line for one in found for line in _recurrence_lines(one))


def _recurrence_lines(one: Recurrence) -> list[str]:
    what = {"circuit": "faults of its feed", "light": "failures of its parts"}
    means = "; ".join(
        f"{row['mean']:.2f} ({row['low']:.2f}-{row['high']:.2f}) by {row['years']:.0f}"
        for row in _means(one)
    )
    lines = [
        f"A {one.level} has on average so many {what[one.level]} by years of watch: "
        f"{means}.",
        f"All together {_trend(one.laplace, one.p_value)}{_shape(one.law)}.",
    ]
    if not one.growing:
        lines.append(
            f"Of {one.tested} with failures enough to tell, none grows worse for sure."
        )
        return lines
    lines.append(
        f"Of {one.tested} with failures enough to tell, {len(one.growing)} grow worse "
        "(at most a tenth of them by chance):"
    )
    lines += [
        f"{unit.name:13}{unit.failures:>3} failures in {unit.watched_years:.1f} years, "
        f"Laplace {unit.laplace:.1f}{_shape(unit.law)}"
        for unit in one.growing[:MOST_NAMED]
    ]
    more = len(one.growing) - MOST_NAMED
    return [*lines, f"and {more} more"] if more > 0 else lines


def _trend(laplace: float, p_value: float) -> str:
    if p_value >= 0.05:
        return f"they come at a steady rate (Laplace {laplace:.1f}, p {p_value:.2f})"
    way = "ever more" if laplace > 0 else "ever less"
    return f"they come {way} often (Laplace {laplace:.1f}, p {p_value:.3f})"


def _shape(law: PowerLaw | None) -> str:
    if law is None:
        return ""
    return f", power law {law.shape:.2f} ({law.shape_low:.2f}-{law.shape_high:.2f})"
