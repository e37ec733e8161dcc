"""Reliability by technology: how long each kind lasts, with pictures."""

from __future__ import annotations

from collections.abc import Sequence

from lightwatch.rates import RateRow, rates
from lightwatch.rates.endings import BY_YEARS, WAYS, Endings, endings
from lightwatch.rates.life_models import LeftOut, life_models
from lightwatch.words import SUPPLY
from reports import charts
from reports.lives import lives_document
from reports.papers.desk import Desk
from reports.papers.paper import Chart, Paper, Table, rounded, rows

LEAST_YEARS = 10.0
"""A rate is given of what failed, or was watched for so many unit-years."""


def _left_out(left: Sequence[LeftOut]) -> tuple[str, ...]:
    """Say each reason once, with all that it leaves out."""
    by_reason: dict[str, list[str]] = {}
    for one in left:
        name = f"{one.kind.replace('_', ' ')} {one.type.replace('_', ' ')}"
        by_reason.setdefault(one.reason, []).append(name)
    return tuple(f"{', '.join(of)}: {why}." for why, of in by_reason.items())


def by_technology(every: Sequence[RateRow]) -> tuple[Table, tuple[str, ...]]:
    """Return rates by technology and part, and which were watched for too little."""
    told = [one for one in every if one.failures or one.unit_years >= LEAST_YEARS]
    lines = [
        (
            *_of(one),
            rounded(one.unit_years, 0),
            one.failures,
            *(
                (None, None, None)
                if one.rate is None
                else (
                    rounded(1000 * one.rate.per_year, 2),
                    rounded(1000 * one.rate.low_per_year, 2),
                    rounded(1000 * one.rate.high_per_year, 2),
                )
            ),
        )
        for one in told
    ]
    table = Table(
        "rates",
        "Failures per 1,000 unit-years, by technology of the light",
        ("Technology", "Part", "Unit-years", "Failures", "Rate", "from", "to"),
        rows(lines),
        "Exact Poisson limits, 95 %; cable and line per 1,000 km-years.",
    )
    scarce = [" ".join(_of(one)) for one in every if one not in told]
    why = f"no failure in less than {LEAST_YEARS:g} unit-years: no rate is given."
    return table, (f"{', '.join(scarce)}: {why}",) if scarce else ()


def by_ending(every: Sequence[Endings]) -> Table:
    """Return what share of each kind ended in which way, by an age."""
    ways = [name for name in WAYS if any(name in one.share for one in every)]
    lines = [
        (
            one.kind.replace("_", " "),
            one.ended,
            *(rounded(100 * one.share.get(name, 0.0), 1) for name in ways),
            rounded(100 * one.left, 1),
        )
        for one in every
    ]
    return Table(
        "endings",
        f"What ends a part's life, by {BY_YEARS:g} years in place",
        ("Part", "Ended", *(f"{name.capitalize()} [%]" for name in ways),
         "Still in place [%]"),
        rows(lines),
        "By Aalen and Johansen, with late entry: what was taken away for one reason "
        "can no longer end for another. Only a failure tells of the part itself.",
    )  # fmt: skip


def _of(row: RateRow) -> tuple[str, str]:
    """Return the technology and the part; what feeds a light has no technology."""
    kind, technology = str(row.group["kind"]), str(row.group["technology"])
    return "feed" if kind in SUPPLY else technology, kind.replace("_", " ")


def paper(desk: Desk) -> Paper:
    """Return lives, rates and survival by kind and type."""
    models = life_models(desk.lives)
    fits = sorted(models.fits, key=lambda one: (one.kind, one.type))
    said = lives_document(desk.as_of, models)["fits"]
    lives_table = Table(
        "lives",
        "Lives",
        ("Part", "Type", "Lives", "Failures", "Shape", "from", "to",
         "Scale [years]", "from", "to", "B10 [years]", "Remark"),
        rows(
            [
                (
                    one["kind"].replace("_", " "),
                    one["type"].replace("_", " "),
                    one["lives"],
                    one["failures"],
                    *(
                        rounded(one[name], 2)
                        for name in ("shape", "shape_low", "shape_high")
                    ),
                    *(
                        rounded(one[name], 1)
                        for name in ("scale_years", "scale_low", "scale_high")
                    ),
                    rounded(one["b10_years"], 1),
                    one["remark"],
                )
                for one in sorted(said, key=lambda one: (one["kind"], one["type"]))
            ]
        ),
        "Weibull lives in mean weather, 95 % limits. A shape above 1 wears out; a "
        "tenth has failed by B10.",
    )  # fmt: skip
    rates_table, scarce = by_technology(rates(desk.lives, ["technology", "kind"]))
    ends = endings(desk.lives)
    endings_table = (by_ending(ends),) if ends else ()
    pictures = tuple(
        Chart(
            f"{kind.replace('_', ' ').capitalize()}: how many still work",
            charts.survival(
                kind, [one for one in fits if one.kind == kind], desk.as_of
            ),
        )
        for kind in sorted({one.kind for one in fits if one.curve is not None})
    )
    return Paper(
        "reliability",
        "Reliability by technology",
        desk.place,
        desk.as_of,
        f"{sum(one.lives for one in fits):,} lives, "
        f"{sum(one.failures for one in fits):,} failures",
        "Weibull fits to lives with late entry, failures put between the days between "
        "which they must lie; Kaplan-Meier with late entry for the pictures.",
        (*_left_out(models.left_out), *scarce),
        (*pictures, lives_table, *endings_table, rates_table),
    )
