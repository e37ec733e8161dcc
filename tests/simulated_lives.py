"""Invented lives with a known Weibull law, for benches, oracles and recovery."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SHAPE, SCALE_YEARS = 1.6, 30.0
LOG_HAZARD_RATIOS = np.array([0.4, -0.3, 0.2, 0.0])


@dataclass(frozen=True)
class Simulated:
    """Lives as the fits take them; ``exact`` is what an all-seeing clerk would note."""

    entry_age: FloatArray
    exit_age: FloatArray
    failed: NDArray[np.bool_]
    low: FloatArray
    high: FloatArray
    covariates: FloatArray


def simulate_lives(
    count: int,
    seed: int,
    *,
    shape: float = SHAPE,
    scale_years: float = SCALE_YEARS,
    log_hazard_ratios: FloatArray = LOG_HAZARD_RATIOS,
    watch_years: float = 8.0,
    per_year: float = 365.25,
    gap_years: float = 1.0,
) -> Simulated:
    """Simulate lives of which 60 % were up to 12 years old when watch began.

    Ages are rounded to whole days or months (``per_year``), so they tie. The interval
    of a failure is up to ``gap_years`` wide and begins no earlier than its entry.
    """
    rng = np.random.default_rng(seed)
    covariates = rng.normal(size=(count, len(log_hazard_ratios)))
    covariates[:, ::2] = covariates[:, ::2] > 0
    entry = np.where(rng.random(count) < 0.6, rng.uniform(0, 12, count), 0.0)
    stretch = np.exp(-covariates @ log_hazard_ratios / shape)
    spent = (entry / (scale_years * stretch)) ** shape
    fails = scale_years * stretch * (spent + rng.exponential(size=count)) ** (1 / shape)
    end = entry + rng.uniform(0.25, 1.0, count) * watch_years
    failed = fails < end
    entry = np.floor(entry * per_year) / per_year
    exits = np.where(failed, fails, end)
    exits = np.maximum(np.ceil(exits * per_year), np.round(entry * per_year) + 1)
    exits /= per_year
    before = rng.random(count) * gap_years
    after = rng.random(count) * gap_years
    low = np.where(failed, np.maximum(exits - before, entry), exits)
    high = np.where(failed, exits + after + 1 / per_year, np.inf)
    return Simulated(entry, exits, failed, low, high, covariates)
