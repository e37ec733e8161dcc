"""How much stock each method needs for the same fill rate, in invented worlds.

Order up to a level once a month, three months from order to shelf; what is short is
delivered late. The forecast by age is made once, at the start; the others anew every
month.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from tests.recovery.stock_baselines import YEAR, ets_normal
from tests.recovery.stock_study import paths_of
from tests.recovery.stock_worlds import AHEAD, HISTORY, world

LEAD = 3
SERVICE = (0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999)
FILL = 0.98
MONTHS = AHEAD - LEAD - 1


def run(levels: np.ndarray, demand: np.ndarray) -> tuple[float, float]:
    """Return fill rate and mean stock of an order-up-to policy.

    Parameters
    ----------
    levels
        Order-up-to level at the start of each month, series by months.
    demand
        What was used, series by months.
    """
    series, months = demand.shape
    short = stock = used = 0.0
    for one in range(series):
        shelf = float(levels[one, 0])
        coming = np.zeros(months + LEAD + 1)
        for month in range(min(months, levels.shape[1])):
            shelf += coming[month]
            position = shelf + coming[month + 1 :].sum()
            coming[month + LEAD] += max(levels[one, month] - position, 0.0)
            there = max(shelf, 0.0)
            shelf -= demand[one, month]
            if month >= LEAD:
                short += min(max(demand[one, month] - there, 0.0), demand[one, month])
                stock += max(shelf, 0.0) / (months - LEAD)
                used += demand[one, month]
    return 1 - short / used, stock


def _sums(monthly: np.ndarray) -> np.ndarray:
    """Return sums over the lead time and the review, from each month on."""
    return np.stack(
        [monthly[..., at : at + LEAD + 1].sum(axis=-1) for at in range(MONTHS)], axis=-1
    )


def _rolling(demand: np.ndarray, *, ets: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and spread of lead-time demand, forecast anew every month."""
    means, spreads = [], []
    for month in range(MONTHS):
        past = demand[:, : HISTORY + month]
        if ets:
            mean, spread = ets_normal(past, LEAD + 1)
            means.append(mean.sum(axis=1))
            spreads.append(np.sqrt((spread**2).sum(axis=1)))
            continue
        mean = past[:, -YEAR:].mean(axis=1)
        rolled = np.stack([past[:, -YEAR - k : past.shape[1] - k].mean(axis=1)
                           for k in range(1, 37)])  # fmt: skip
        error = past[:, -36:][:, ::-1].T - rolled
        means.append(mean * (LEAD + 1))
        spreads.append(np.sqrt((error**2).mean(axis=0) * (LEAD + 1)))
    return np.stack(means, axis=1), np.stack(spreads, axis=1)


def policies(kind: str, seeds: range, *, ets: bool = True) -> pd.DataFrame:
    """Return fill rate and stock by method and service level, a row each."""
    rows = []
    for seed in seeds:
        lived = world(kind, seed)
        actual = lived.demand[:, HISTORY:]
        drawn = _sums(paths_of(lived, 1000, seed))
        normal = {"12-month moving average": _rolling(lived.demand, ets=False)}
        if ets:
            normal["AutoETS"] = _rolling(lived.demand, ets=True)
        for level in SERVICE:
            made = {"parts by age": np.quantile(drawn, level, axis=0)}
            for name, (mean, spread) in normal.items():
                made[name] = mean + norm.ppf(level) * spread
            for name, levels in made.items():
                fill, stock = run(np.ceil(np.maximum(levels, 0)), actual)
                rows.append((kind, seed, name, level, fill, stock))
    columns = ["world", "seed", "method", "service", "fill", "stock"]
    return pd.DataFrame(rows, columns=columns)


def stock_at(frame: pd.DataFrame, fill: float = FILL) -> pd.Series:
    """Return mean stock by method where it reaches a fill rate, by interpolation."""
    means = frame.groupby(["method", "service"])[["fill", "stock"]].mean()
    made = {}
    for method, some in means.groupby("method"):
        ordered = some.sort_values("fill")
        reached = ordered["fill"].max() >= fill
        made[method] = (
            float(np.interp(fill, ordered["fill"], ordered["stock"]))
            if reached
            else np.nan
        )
    return pd.Series(made)
