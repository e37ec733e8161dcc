"""The forecast against the truth and against general methods, in invented worlds.

Used by ``tests.bench.stock`` in full, and by a test with few worlds.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd

from lightwatch.decisions.stock.demand import demand
from tests.recovery.stock_baselines import (
    LEVELS,
    SIMPLE,
    YEAR,
    ets_quantiles,
    simple_quantiles,
)
from tests.recovery.stock_worlds import (
    AHEAD,
    DEPOTS,
    HISTORY,
    MODELS,
    World,
    ahead,
    fitted_model,
    world,
)

OURS = "parts by age"
ORACLE = "one who knows the truth"


def paths_of(lived: World, paths: int, seed: int) -> np.ndarray:
    """Return our paths, paths by groups by months."""
    used = demand(
        fitted_model(lived), ahead(paths, seed), np.random.default_rng([seed, 1])
    )
    return (
        np.moveaxis(used, 1, 3)
        .transpose(0, 2, 1, 3)
        .reshape(paths, MODELS * DEPOTS, AHEAD)
    )


def scale(history: np.ndarray) -> np.ndarray:
    """Return the mean absolute error of seasonal naive within the history."""
    return np.abs(history[:, YEAR:] - history[:, :-YEAR]).mean(axis=1)


def pinball(quantiles: np.ndarray, actual: np.ndarray) -> np.ndarray:
    """Return the mean pinball loss over levels, series by months."""
    away = actual[None] - quantiles
    level = LEVELS[:, None, None]
    return np.maximum(level * away, (level - 1) * away).mean(axis=0)


def _row(
    method: str,
    mean: np.ndarray,
    quantiles: np.ndarray | None,
    lived: World,
) -> dict[str, object]:
    actual = lived.demand[:, HISTORY:]
    unit = scale(lived.demand[:, :HISTORY])
    made: dict[str, object] = {
        "method": method,
        "mase": float((np.abs(mean - actual).mean(axis=1) / unit).mean()),
        "total": float(
            (np.abs(mean.sum(axis=1) - actual.sum(axis=1)) / actual.sum(axis=1)).mean()
        ),
    }
    if quantiles is not None:
        made["pinball"] = float((pinball(quantiles, actual).mean(axis=1) / unit).mean())
        made["in80"] = float(
            ((actual >= quantiles[1]) & (actual <= quantiles[5])).mean()
        )
        made["in95"] = float(
            ((actual >= quantiles[0]) & (actual <= quantiles[-1])).mean()
        )
    return made


def sums_inside(paths: np.ndarray, actual: np.ndarray, months: int) -> dict[str, float]:
    """Return how often sums over the first months lie inside 80 and 95 %."""
    drawn, seen = paths[:, :, :months].sum(axis=2), actual[:, :months].sum(axis=1)
    low95, low80, high80, high95 = np.quantile(
        drawn, [0.025, 0.1, 0.9, 0.975], axis=0, method="inverted_cdf"
    )
    return {
        f"sum{months}_in80": float(((seen >= low80) & (seen <= high80)).mean()),
        f"sum{months}_in95": float(((seen >= low95) & (seen <= high95)).mean()),
    }


def study(
    kind: str,
    seeds: range,
    *,
    units: int = 100_000,
    paths: int = 1000,
    baselines: bool = True,
    ets: bool = True,
) -> pd.DataFrame:
    """Return a row a world and method: errors, pinball loss, shares inside."""
    rows = []
    for seed in seeds:
        lived = world(kind, seed, units)
        history, actual = lived.demand[:, :HISTORY], lived.demand[:, HISTORY:]
        begun = time.perf_counter()
        drawn = paths_of(lived, paths, seed)
        seconds = time.perf_counter() - begun
        levels = np.quantile(drawn, LEVELS, axis=0, method="inverted_cdf")
        ours = _row(OURS, drawn.mean(axis=0), levels, lived)
        for months in (3, 6, AHEAD):
            ours.update(sums_inside(drawn, actual, months))
        whole = drawn.sum(axis=1)[:, None], actual.sum(axis=0)[None]
        low80, high80 = np.quantile(whole[0][:, 0], [0.1, 0.9], axis=0)
        ours["all_in80"] = float(((whole[1] >= low80) & (whole[1] <= high80)).mean())
        made = [ours, _row(ORACLE, lived.expected, None, lived)]
        ours["seconds"] = seconds
        if baselines:
            for name in SIMPLE:
                made.append(_row(name, *simple_quantiles(name, history, AHEAD), lived))
        if ets:
            made.append(_row("AutoETS", *ets_quantiles(history, AHEAD), lived))
        rows += [{"world": kind, "seed": seed, **one} for one in made]
    return pd.DataFrame(rows)
