"""General methods for a series of monthly demand, to hold the forecast against.

Each gives quantiles by level, months and series. Intervals of the simple ones are
negative binomial about their mean, with the variance of their own past errors; those
of AutoETS are its own (statsforecast, extra ``bench``), cut at zero.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.stats import nbinom, norm, poisson

from lightwatch.decisions.stock.thin import tsb

LEVELS = np.array([0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975])
YEAR = 12

Mean = Callable[[np.ndarray, int], np.ndarray]


def croston(series: np.ndarray, smoothing: float = 0.1) -> float:
    """Return the mean per month to come, by Croston's method.

    Sizes and intervals between months with demand are smoothed, and divided. It does
    not forget what is no longer used: here for comparison only.

    References
    ----------
    .. [1] J. D. Croston, Operational Research Quarterly 23 (1972), 289-303; from
       memory.
    """
    used = np.asarray(series, dtype=float)
    at = np.flatnonzero(used)
    if not at.size:
        return 0.0
    gaps = np.diff(np.concatenate([[-1], at])).astype(float)
    size, gap = used[at[0]], gaps[0]
    for now, since in zip(used[at[1:]], gaps[1:], strict=True):
        size += smoothing * (now - size)
        gap += smoothing * (since - gap)
    return float(size / gap)


def moving_average(series: np.ndarray, ahead: int) -> np.ndarray:
    return np.full(ahead, series[-YEAR:].mean())


def seasonal_naive(series: np.ndarray, ahead: int) -> np.ndarray:
    return np.resize(series[-YEAR:], ahead).astype(float)


def by_croston(series: np.ndarray, ahead: int) -> np.ndarray:
    return np.full(ahead, croston(series))


def by_tsb(series: np.ndarray, ahead: int) -> np.ndarray:
    return np.full(ahead, tsb(series))


SIMPLE: dict[str, Mean] = {
    "12-month moving average": moving_average,
    "seasonal naive": seasonal_naive,
    "Croston": by_croston,
    "TSB": by_tsb,
}


def residual_variance(series: np.ndarray, mean: Mean, seen: int = 36) -> float:
    """Return the mean square of one-month errors over the last months."""
    months = range(max(len(series) - seen, YEAR), len(series))
    errors = [series[at] - mean(series[:at], 1)[0] for at in months]
    return float(np.mean(np.square(errors)))


def spread_about(mean: np.ndarray, variance: float, levels: np.ndarray) -> np.ndarray:
    """Return quantiles of a negative binomial, Poisson where it is no wider."""
    wide = variance > mean * 1.0001
    safe = np.maximum(mean, 1e-9)
    size = safe**2 / np.maximum(variance - safe, 1e-9)
    by_nb = nbinom.ppf(levels[:, None], size, size / (size + safe))
    return np.where(wide, by_nb, poisson.ppf(levels[:, None], safe))


def simple_quantiles(
    name: str, history: np.ndarray, ahead: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return means (series by months) and quantiles (levels by series by months)."""
    means = np.stack([SIMPLE[name](one, ahead) for one in history])
    made = np.stack(
        [
            spread_about(mean, residual_variance(one, SIMPLE[name]), LEVELS)
            for mean, one in zip(means, history, strict=True)
        ],
        axis=1,
    )
    return means, made


def ets_normal(history: np.ndarray, ahead: int) -> tuple[np.ndarray, np.ndarray]:
    """Return means and standard deviations by AutoETS, series by months."""
    from statsforecast.models import AutoETS

    means, spreads = [], []
    for one in history:
        fitted = AutoETS(season_length=YEAR).fit(one.astype(float))
        found = fitted.predict(ahead, level=[95])
        means.append(found["mean"])
        spreads.append((found["hi-95"] - found["mean"]) / norm.ppf(0.975))
    return np.stack(means), np.maximum(np.stack(spreads), 1e-9)


def ets_quantiles(history: np.ndarray, ahead: int) -> tuple[np.ndarray, np.ndarray]:
    """Return means and quantiles by AutoETS, as ``simple_quantiles`` does."""
    mean, spread = ets_normal(history, ahead)
    made = mean + norm.ppf(LEVELS)[:, None, None] * spread
    return mean, np.maximum(made, 0.0)
