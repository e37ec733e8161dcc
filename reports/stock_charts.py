"""What will be used each month, with its range: one picture a kind, SVG."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightwatch.decisions.stock import StockPlan, by_kind
from lightwatch.decisions.stock.forecast import QUANTILES
from reports.charts import MONTHS, RIGHT, WIDTH, Chart

Whole = NDArray[np.int64]

HISTORY = 24
"""Months of the past shown before the forecast."""


def _past(plan: StockPlan, kind: str) -> Whole:
    """Return parts of a kind used in each of the last whole months."""
    uses = plan.fitted.uses
    first = plan.forecast.first_month - HISTORY
    some = uses.fitted[(uses.fitted["kind"] == kind) & ~uses.fitted["programme"]]
    at = np.floor(some["month"]).astype(int).to_numpy() - first
    inside = (at >= 0) & (at < HISTORY)
    counted = np.bincount(at[inside], minlength=HISTORY)
    return counted[max(uses.first_month - first, 0) :]


def _top(past: Whole, high: NDArray[np.float64]) -> float:
    most = float(max(past.max(initial=0), high.max(initial=0), 4))
    tens = 10 ** np.floor(np.log10(most / 4 + 1))
    return 4 * float(next(k * tens for k in (1, 2, 3, 5, 10) if 4 * k * tens >= most))


def fan(kind: str, plan: StockPlan, paths: Whole, as_of: str) -> str:
    """Draw the past and the months to come of one kind.

    The line is the middle; the darker band holds 80 years of 100, the lighter 95.
    """
    past = _past(plan, kind)
    used = paths[:, : plan.fitted.months]
    levels = np.quantile(used, QUANTILES, axis=0, method="inverted_cdf")
    low95, low80, middle, high80, high95 = levels.astype(np.float64)
    months = used.shape[1]
    name = kind.replace("_", " ")
    chart = Chart(
        f"How many {name}s repairs will use",
        f"As of {as_of}. Steps: used in past months. Line: as likely more as less; "
        "dark band: 8 months in 10 lie in it; light band: 19 in 20. Programmes apart.",
        "Month",
        "Parts used in the month",
        float(months),
        _top(past, high95),
        x_low=-float(len(past)),
    )
    if len(past):
        edges = np.repeat(np.arange(-len(past), 1), 2)[1:-1]
        style = 'stroke="#000" stroke-width="1.4"'
        chart.line(edges, np.repeat(past, 2), style)
    middles = np.arange(months, dtype=np.float64) + 0.5
    chart.band(middles, low95, high95)
    chart.band(middles, low80, high80)
    chart.line(middles, middle, 'stroke="#000" stroke-width="2.4"')
    first = plan.forecast.first_month + (plan.forecast.whole_months.start or 0)
    for edge, words in ((high95[-1], "19 in 20"), (high80[-1], "8 in 10")):
        chart.text(WIDTH - RIGHT + 6, chart.y(float(edge)) + 4, words)
    ticks = [
        (at + 0.5, _tick(first + at))
        for at in range(-len(past), months)
        if (first + at) % 3 == 0
    ]
    return chart.svg(ticks, list(np.linspace(0, chart.y_top, 5)))


def _tick(month: int) -> str:
    """Return the letter of a month, and the year at January."""
    letter = MONTHS[month % 12]
    return f"{1970 + month // 12}" if month % 12 == 0 else letter


def fans(plan: StockPlan, as_of: str) -> dict[str, str]:
    """Return a picture a kind by its file name."""
    return {
        f"use-{kind}.svg": fan(kind, plan, paths, as_of)
        for kind, paths in sorted(by_kind(plan.forecast).items())
        if paths.any() or len(_past(plan, kind))
    }
