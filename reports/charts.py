"""Pictures of lives and hazards: SVG that reads in black and white, on paper or phone.

Types are told apart by line pattern and a label at the line's end, never by colour.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from textwrap import wrap

import numpy as np
from numpy.typing import NDArray

from lightwatch.rates.life_models import LifeFit, LifeModels
from lightwatch.rates.weather_model import COVARIATES, HazardModel

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 720, 460
LEFT, RIGHT, TOP, BOTTOM = 64, 150, 54, 96
DASHES = ("", "9 4", "2 3", "9 3 2 3", "14 5", "4 6")
MONTHS = "JFMAMJJASOND"
MOST_STEPS = 500
LEAST_AT_RISK = 10
"""Where fewer are watched, a curve says more of one life than of the kind."""


@dataclass
class Chart:
    """One picture: axes, and what was drawn between them."""

    title: str
    caption: str
    x_label: str
    y_label: str
    x_top: float
    y_top: float
    x_low: float = 0.0
    y_low: float = 0.0
    marks: list[str] = field(default_factory=list)

    def x(self, value: float) -> float:
        """Return where a value lies from the left [px]."""
        share = (value - self.x_low) / (self.x_top - self.x_low)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """Return where a value lies from the top [px]."""
        share = (value - self.y_low) / (self.y_top - self.y_low)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)

    def text(self, x: float, y: float, words: str, anchor: str = "start") -> None:
        """Write words at a place [px]."""
        self.marks.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">'
            f"{escape(words)}</text>"
        )

    def line(self, xs: Iterable[float], ys: Iterable[float], style: str) -> None:
        """Draw a line through points."""
        points = " ".join(
            f"{self.x(a):.1f},{self.y(b):.1f}" for a, b in zip(xs, ys, strict=True)
        )
        self.marks.append(f'<polyline points="{points}" fill="none" {style}/>')

    def band(self, xs: Floats, low: Floats, high: Floats) -> None:
        """Shade between two lines."""
        there = [*zip(xs, high, strict=True)]
        back = [*zip(xs[::-1], low[::-1], strict=True)]
        points = " ".join(f"{self.x(a):.1f},{self.y(b):.1f}" for a, b in there + back)
        self.marks.append(f'<polygon points="{points}" fill="#000" opacity="0.12"/>')

    def svg(
        self, x_ticks: Sequence[tuple[float, str]], y_ticks: Sequence[float]
    ) -> str:
        """Return the picture."""
        floor, right = HEIGHT - BOTTOM, WIDTH - RIGHT
        axes = [
            f'<path d="M{LEFT},{TOP} V{floor} H{right}" fill="none" stroke="#000"/>'
        ]
        for value, words in x_ticks:
            at = self.x(value)
            axes.append(f'<path d="M{at:.1f},{floor} v5" stroke="#000"/>')
            axes.append(
                f'<text x="{at:.1f}" y="{floor + 18}" text-anchor="middle">'
                f"{escape(words)}</text>"
            )
        for value in y_ticks:
            at = self.y(value)
            axes.append(f'<path d="M{LEFT},{at:.1f} H{right}" stroke="#ccc"/>')
            axes.append(
                f'<text x="{LEFT - 8}" y="{at + 4:.1f}" text-anchor="end">'
                f"{value:g}</text>"
            )
        lines = wrap(self.caption, 108)
        foot = "".join(
            f'<text x="12" y="{HEIGHT - 34 + 15 * i}" class="s">{escape(one)}</text>'
            for i, one in enumerate(lines[:3])
        )
        middle = (LEFT + right) / 2
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
            f'width="{WIDTH}" style="max-width:100%;height:auto" '
            f'role="img" aria-label="{escape(self.title)}">'
            f"<title>{escape(self.title)}</title><desc>{escape(self.caption)}</desc>"
            "<style>text{font:13px sans-serif}.t{font-size:16px;font-weight:bold}"
            ".s{font-size:11.5px}</style>"
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>'
            f'<text x="12" y="24" class="t">{escape(self.title)}</text>'
            f'<text x="12" y="43" class="s">{escape(self.y_label)}</text>'
            f'<text x="{middle}" y="{floor + 36}" text-anchor="middle">'
            f"{escape(self.x_label)}</text>"
            f"{''.join(axes)}{''.join(self.marks)}{foot}</svg>\n"
        )


def _style(i: int, width: float = 2.0) -> str:
    dash = DASHES[i % len(DASHES)]
    pattern = f' stroke-dasharray="{dash}"' if dash else ""
    return f'stroke="#000" stroke-width="{width}"{pattern}'


def _years(top: float) -> list[tuple[float, str]]:
    step = 1 if top <= 8 else 2 if top <= 16 else 5
    return [(float(v), str(v)) for v in range(0, int(top) + 1, step)]


def _round_up(value: float) -> float:
    scale = 10 ** np.floor(np.log10(max(value, 1e-9)))
    return float(next(k * scale for k in (1, 2, 5, 10) if k * scale >= value))


def _apart(ends: list[tuple[float, str]], least: float = 15.0) -> list[float]:
    """Return label heights pushed apart, in the order given [px]."""
    order = sorted(range(len(ends)), key=lambda i: ends[i][0])
    placed: list[float] = [0.0] * len(ends)
    last = -1e9
    for i in order:
        last = placed[i] = max(ends[i][0], last + least)
    return placed


def _drawn(known: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return which steps are drawn: no more than can be told apart."""
    steps = np.flatnonzero(known)
    spread = np.linspace(0, len(steps) - 1, min(len(steps), MOST_STEPS))
    return steps[np.round(spread).astype(np.int64)]


def survival(kind: str, fits: Sequence[LifeFit], as_of: str) -> str:
    """Draw survival by age: what was seen with its band, and the Weibull over it."""
    curves = [
        (fit, fit.curve, _drawn(fit.curve.at_risk >= LEAST_AT_RISK))
        for fit in fits
        if fit.curve is not None and (fit.curve.at_risk >= LEAST_AT_RISK).any()
    ]
    shown = [fit for fit, _, _ in curves]
    tops = [float(curve.age_years[known].max()) for _, curve, known in curves]
    top = max(tops, default=1.0)
    failures = ", ".join(
        f"{fit.type} {fit.failures:,} of {fit.lives:,}" for fit in shown
    )
    caption = (
        f"As of {as_of}. Failures of lives watched: {failures}. Steps: Kaplan-Meier "
        "with late entry while 10 or more are watched, 95 % log-log band; thin line: "
        "Weibull. Lives of unknown installation date left out."
    )
    chart = Chart(
        f"{kind.replace('_', ' ').capitalize()}: how many still work",
        caption,
        "Age [years]",
        "Share still working",
        top,
        1.0,
    )
    ends = []
    for i, (fit, curve, known) in enumerate(curves):
        ages = np.repeat(np.concatenate([[0.0], curve.age_years[known]]), 2)[1:]
        stairs = [np.repeat(np.concatenate([[1.0], part[known]]), 2)[:-1] for part in
                  (curve.survival, curve.low, curve.high)]  # fmt: skip
        clean = [np.clip(np.nan_to_num(part, nan=1.0), 0, 1) for part in stairs]
        chart.band(ages, clean[1], clean[2])
        chart.line(ages, clean[0], _style(i, 2.4))
        smooth = np.linspace(0, top, 120)
        fitted = fit.weibull.survival(smooth)
        chart.line(smooth, fitted, _style(i, 0.9))
        ends.append((chart.y(float(fitted[-1])), fit.type))
    for (_, words), y in zip(ends, _apart(ends), strict=True):
        chart.text(WIDTH - RIGHT + 8, y + 4, words.replace("_", " "))
    return chart.svg(_years(top), [0, 0.25, 0.5, 0.75, 1])


def hazard(kind: str, fits: Sequence[LifeFit], model: HazardModel, as_of: str) -> str:
    """Draw the hazard by age with limits, and the Weibull's dotted."""
    stations = model.layout.weather.shape[0]
    types = [fit.type for fit in fits]
    top = min(model.oldest_years, 25.0)
    ages = np.linspace(0.1, top, 80)
    curves = [model.hazard(ages, i * stations) for i in range(len(types))]
    high = max(float(np.quantile(one.high_per_year, 0.9)) for one in curves) * 1000
    chart = Chart(
        f"How often {kind.replace('_', ' ')}s fail, by age",
        f"As of {as_of}. Thick: spline in log age at the first station and the mean "
        "month, 95 % band; thin: Weibull. Months of failing shared by how soon trouble "
        "is noticed.",
        "Age [years]",
        "Failures per 1,000 unit-years",
        top,
        _round_up(high),
    )
    ends = []
    for i, (fit, one) in enumerate(zip(fits, curves, strict=True)):
        cap = chart.y_top
        low = np.minimum(one.low_per_year * 1000, cap)
        chart.band(ages, low, np.minimum(one.high_per_year * 1000, cap))
        middle = np.minimum(one.per_year * 1000, cap)
        chart.line(ages, middle, _style(i, 2.4))
        shape, scale = fit.weibull.shape, fit.weibull.scale_years
        steady = 1000 * shape / scale * (ages / scale) ** (shape - 1)
        chart.line(ages, np.minimum(steady, cap), _style(i, 0.9))
        ends.append((chart.y(float(middle[-1])), fit.type))
    for (_, words), y in zip(ends, _apart(ends), strict=True):
        chart.text(WIDTH - RIGHT + 8, y + 4, words.replace("_", " "))
    return chart.svg(_years(top), list(np.linspace(0, chart.y_top, 5)))


def months(kind: str, model: HazardModel, first_month: int, as_of: str) -> str:
    """Draw the hazard by calendar month of failing; 1 is the mean month."""
    days = model.layout.weather - model.layout.mean_weather
    calendar = (first_month + np.arange(days.shape[1])) % 12
    mean = np.array(
        [np.nanmean(days[:, calendar == m].reshape(-1, 2), axis=0) for m in range(12)]
    )
    effects = np.array([model.log_ratio(name)[0] for name in COVARIATES])
    place = model.age_terms + model.layout.levels
    covariance = model.covariance[place : place + 2, place : place + 2]
    error = np.sqrt(np.einsum("ij,jk,ik->i", mean, covariance, mean))
    low, middle, high = (np.exp(mean @ effects + k * error) for k in (-1.96, 0, 1.96))
    chart = Chart(
        f"When {kind.replace('_', ' ')}s fail, by month",
        f"As of {as_of}. Hazard in the month of failing by that month's freeze-thaw "
        "and wet days, 1 = the mean month; bars: 95 % limits.",
        "Month in which it failed",
        "Hazard against the mean month",
        12.5,
        max(float(np.ceil(2 * high.max()) / 2), 1.5),
        x_low=0.5,
    )
    chart.line([0.5, 12.5], [1, 1], 'stroke="#000" stroke-dasharray="2 3"')
    for m in range(12):
        chart.line([m + 1, m + 1], [low[m], high[m]], _style(0))
        at = f'cx="{chart.x(m + 1):.1f}" cy="{chart.y(middle[m]):.1f}"'
        chart.marks.append(f'<circle {at} r="4.5"/>')
    ticks = [(m + 1.0, MONTHS[m]) for m in range(12)]
    return chart.svg(ticks, list(np.arange(0, chart.y_top + 0.1, 0.5)))


def ratios(models: LifeModels, as_of: str) -> str:
    """Draw the ratio of hazards for a day more of frost or rain, with limits."""
    rows = list(models.ratios())
    low = min([0.95, *(ratio.low for _, _, ratio in rows)])
    high = max([1.05, *(ratio.high for _, _, ratio in rows)])
    chart = Chart(
        "What one day more in the month does",
        f"As of {as_of}. Ratio of hazards for one freeze-thaw or wet day more in the "
        "month of failing, 95 % limits; 1 = no effect.",
        "Ratio of hazards",
        "",
        high,
        0.0,
        x_low=low,
        y_low=len(rows) + 1.0,
    )
    chart.line([1, 1], [0, len(rows) + 1], 'stroke="#000" stroke-dasharray="2 3"')
    for i, (kind, covariate, ratio) in enumerate(rows, start=1):
        chart.line([ratio.low, ratio.high], [i, i], _style(0))
        at = f'cx="{chart.x(ratio.per_day):.1f}" cy="{chart.y(i):.1f}"'
        shape = "circle" if covariate == "wet" else "ellipse"
        size = 'r="4"' if covariate == "wet" else 'rx="6" ry="3"'
        chart.marks.append(f"<{shape} {at} {size}/>")
        name = f"{kind} {covariate}".replace("_", " ")
        chart.text(WIDTH - RIGHT + 6, chart.y(i) + 4, name)
    ticks = np.linspace(low, high, 5)
    return chart.svg([(float(v), f"{v:.2f}") for v in ticks], [])


def pictures(models: LifeModels, first_month: int, as_of: str) -> dict[str, str]:
    """Return every picture by its file name."""
    found: dict[str, str] = {}
    kinds = sorted({fit.kind for fit in models.fits if fit.curve is not None})
    for kind in kinds:
        fits = [fit for fit in models.fits if fit.kind == kind and fit.curve]
        found[f"survival-{kind}.svg"] = survival(kind, fits, as_of)
        model = models.weather.get(kind)
        if model and len(fits) * model.layout.weather.shape[0] == len(
            model.layout.station
        ):
            found[f"hazard-{kind}.svg"] = hazard(kind, fits, model, as_of)
        if model:
            found[f"months-{kind}.svg"] = months(kind, model, first_month, as_of)
    if models.weather:
        found["ratios.svg"] = ratios(models, as_of)
    return found
