"""Do the Weibull limits hold the truth as often as they say?

Towns of late, inspected lives of a known Weibull law are drawn; for shape, scale, B10,
median, a hazard ratio and a chance to fail the true value either lies inside the 95 %
profile limits or not. The full study: ``python -m tests.bench.weibull_recovery``.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from lightwatch.rates.weibull import fit_weibull
from tests.simulated_lives import simulate_lives

SHAPE, SCALE_YEARS, RATIO = 1.8, 18.0, 0.5
LIVES = 150


def truth() -> dict[str, float]:
    """Return what the limits should hold."""
    return {
        "shape": SHAPE,
        "scale": SCALE_YEARS,
        "b10": SCALE_YEARS * (-np.log(0.9)) ** (1 / SHAPE),
        "median": SCALE_YEARS * np.log(2) ** (1 / SHAPE),
        "x1": RATIO,
        "chance": -np.expm1((8 / SCALE_YEARS) ** SHAPE - (10 / SCALE_YEARS) ** SHAPE),
    }


def of_one_town(seed: int) -> list[tuple[int, str, bool, bool, str]]:
    """Return for each quantity: too low, too high, and by which method."""
    lives = simulate_lives(
        LIVES, seed, shape=SHAPE, scale_years=SCALE_YEARS, watch_years=15,
        log_hazard_ratios=np.array([RATIO]), per_year=365.25,
    )  # fmt: skip
    fit = fit_weibull(
        lives.entry_age, lives.low, lives.high, covariates=lives.covariates
    )
    rows = []
    for name, value in truth().items():
        if name == "chance":
            limits = fit.failure_chance_limits(8.0, 2.0)
        else:
            limits = fit.limits(name)
        rows.append(
            (seed, name, limits.high < value, value < limits.low, limits.method)
        )
    return rows


def study(seeds: Iterable[int]) -> pd.DataFrame:
    """Return the rows of several towns."""
    rows = [row for seed in seeds for row in of_one_town(seed)]
    frame = pd.DataFrame(rows, columns=["seed", "name", "below", "above", "method"])
    return frame.assign(inside=~(frame["below"] | frame["above"]))
