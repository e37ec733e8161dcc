"""Would it have been right? Each past year's fit, held against the year after it.

As of the end of each past year a life is fitted from what was known then. It says how
many failures the following year's time under watch should bring; what came is counted
from the records as they are now. The interval allows for chance, for what the fit did
not know, and for how much the weather differs from year to year.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.lives import Lives, lives
from lightwatch.lives.burning import HoursLit
from lightwatch.nights import YEAR
from lightwatch.observations.known import Known
from lightwatch.rates.life_models import LifeFit, LifeModels, life_models
from lightwatch.rates.weather_model import COVARIATES, HazardModel
from lightwatch.register import Register

LEAST_YEARS = 2
"""So many years of records before the first fit."""


@dataclass(frozen=True)
class Forecast:
    """One year's failures of one kind and type: as predicted, and as they came."""

    kind: str
    type: str
    as_of: int
    expected: float
    low: float
    high: float
    failures: int

    @property
    def is_inside(self) -> bool:
        """Whether what came lies inside the interval."""
        return self.low <= self.failures <= self.high


def _spread_of_years(model: HazardModel | None) -> float:
    """Return how much a year's weather moves the hazard, as a coefficient of spread."""
    if model is None:
        return 0.0
    days = model.layout.weather - model.layout.mean_weather
    effects = np.array([model.log_ratio(name)[0] for name in COVARIATES])
    log = days @ effects
    log = log[:, np.isfinite(log).any(axis=0)]
    months = np.nanmean(np.exp(log), axis=0)
    years = months[: len(months) // 12 * 12].reshape(-1, 12).mean(axis=1)
    return float(np.std(years) / np.mean(years)) if len(years) > 1 else 0.0


def _hazard_between(
    fit: LifeFit,
    some: pd.DataFrame,
    begin: float,
    end: float,
    lit: HoursLit | None,
) -> float:
    """Return the failures expected of lives in a stretch of time [instants]."""
    start = np.maximum(some["start"].to_numpy(float), begin)
    until = np.minimum(some["end"].to_numpy(float), end)
    born = (some["installed"] + some["installed_last"]).to_numpy(float) / 2
    inside = (start < until) & np.isfinite(born)
    born, start, until = np.minimum(born, start)[inside], start[inside], until[inside]
    if fit.by_burning and lit is not None:
        first, last = lit.years(born, start), lit.years(born, until)
    else:
        first, last = (start - born) / YEAR, (until - born) / YEAR
    scale, shape = fit.weibull.scale_years, fit.weibull.shape
    spent = (last / scale) ** shape - (first / scale) ** shape
    return float((spent * some["weight"].to_numpy(float)[inside]).sum())


def _came(some: pd.DataFrame, begin: float, end: float) -> int:
    dated = some["installed"].notna() & some["failed"]
    return int((dated & (some["end"] > begin) & (some["end"] <= end)).sum())


def _forecasts(
    models: LifeModels, now: Lives, begin: int, confidence: float
) -> Iterator[Forecast]:
    from scipy.stats import nbinom

    tail = (1 - confidence) / 2
    for fit in models.fits:
        frame = now.frame
        some = frame[(frame["kind"] == fit.kind) & (frame["type"] == fit.type)]
        expected = _hazard_between(fit, some, begin, begin + YEAR, models.hours_lit)
        if expected <= 0:
            continue
        spread = _spread_of_years(models.weather.get(fit.kind)) ** 2
        size = 1.0 / (spread + 1.0 / max(fit.failures, 1))
        chance = size / (size + expected)
        low, high = nbinom.ppf([tail, 1 - tail], size, chance)
        came = _came(some, begin, begin + YEAR)
        yield Forecast(
            fit.kind, fit.type, begin, expected, float(low), float(high), came
        )


def backtest(known: Known, confidence: float = 0.95) -> list[Forecast]:
    """Fit as of each past year and hold the year after against it.

    Parameters
    ----------
    known
        The records as they are now.
    confidence
        Of the intervals.
    """
    register = Register(known)
    now = lives(register)
    found: list[Forecast] = []
    begin = register.watched_until - YEAR
    while begin >= known.opened + LEAST_YEARS * YEAR:
        then = life_models(lives(Register(Known(known.store, begin))))
        found += _forecasts(then, now, begin, confidence)
        begin -= YEAR
    return sorted(found, key=lambda one: (one.kind, one.type, one.as_of))
