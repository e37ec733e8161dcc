"""Does the weather model find the truth when the month of failure is not known?

Lives fail in continuous time under a hazard that depends on age, group and the month's
weather; each failure is noticed after an exponential delay of 17 days (out) or 123 days
(day burning) on average, figures measured on simulated towns. The fit sees the day of
notice only. The full study, 400 replicates: ``python -m tests.recovery.weather_study``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lightwatch.rates.cells import cells
from lightwatch.rates.delays import DAYS_PER_MONTH, monthly_delays
from lightwatch.rates.piecewise import fit_hazard
from lightwatch.rates.weather_model import COVARIATES, HazardModel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TRUTH = {"freeze_thaw": 0.050, "wet": 0.015}
MEAN_DELAY_DAYS = (17.0, 123.0)
DAY_BURNING = 0.7
MONTHS, STATIONS, LEVELS = 96, 3, 3
DELAY_MONTHS = 24
LEVEL_EFFECT = np.array([0.0, 0.4, -0.5])
BAND = (0.910, 0.9825)
"""The 99.9 % band of a binomial share of 400 at .95."""


@dataclass(frozen=True)
class Town:
    """Lives of a simulated town; times in months."""

    birth: Ints
    entry: Floats
    failed_at: Floats
    noticed_at: Floats
    symptom: Ints
    group: Ints
    weather: Floats

    @property
    def station(self) -> Ints:
        return np.arange(STATIONS * LEVELS) // LEVELS

    @property
    def level(self) -> Ints:
        return np.arange(STATIONS * LEVELS) % LEVELS


def weather(rng: np.random.Generator) -> Floats:
    """Draw freeze-thaw and wet days, stations by months by two."""
    month = np.arange(MONTHS)
    winter = np.cos(2 * np.pi * month / 12)
    colder = np.array([0.0, 1.0, -0.6])[:, None]
    year = rng.normal(0, 0.5, MONTHS)
    mean = 1.0 + 1.9 * winter + 0.5 * colder + year
    frost = rng.binomial(28, 1 / (1 + np.exp(2.2 - mean)), (STATIONS, MONTHS))
    wetter = np.array([0.5, 0.0, -0.2])[:, None]
    chance = 1 / (1 + np.exp(0.5 - wetter - 0.3 * winter - rng.normal(0, 0.4, MONTHS)))
    wet = rng.binomial(28, chance, (STATIONS, MONTHS))
    return np.stack([frost, wet], axis=2).astype(np.float64)


def base_hazard(age_months: Floats) -> Floats:
    """Return failures per unit-month: early failures, then wear-out."""
    age = age_months + 0.5
    return 0.0015 * (1 + 3 * np.exp(-age / 6) + (age / 90) ** 1.6)


def town(seed: int, lives: int = 12_000) -> Town:
    """Simulate lives, failures and when they were noticed."""
    rng = np.random.default_rng(seed)
    days = weather(rng)
    birth = rng.integers(-140, MONTHS - 6, lives)
    entry = np.maximum(birth, 0) + np.where(birth > 0, rng.random(lives), 0.0)
    group = rng.integers(0, STATIONS * LEVELS, lives)
    ratio = days - days.mean(axis=(0, 1))
    ratio = np.exp(ratio @ np.array([TRUTH[name] for name in COVARIATES]))
    age = np.arange(MONTHS) - birth[:, None]
    hazard = base_hazard(np.maximum(age, 0)) * ratio[group // LEVELS]
    hazard *= np.exp(LEVEL_EFFECT[group % LEVELS])[:, None]
    hazard *= np.clip(np.arange(1, MONTHS + 1) - entry[:, None], 0, 1)
    risk = np.cumsum(hazard, axis=1)
    spent = rng.exponential(size=lives)
    month = (risk < spent[:, None]).sum(axis=1)
    at = np.minimum(month, MONTHS - 1)
    row = np.arange(lives)
    into = 1 - (risk[row, at] - spent) / hazard[row, at]
    begun = np.maximum(at, entry)
    failed_at = np.where(month < MONTHS, begun + into * (at + 1 - begun), np.inf)
    symptom = (rng.random(lives) < DAY_BURNING).astype(np.int64)
    mean = np.array(MEAN_DELAY_DAYS)[symptom] / DAYS_PER_MONTH
    noticed_at = failed_at + rng.exponential(mean)
    return Town(birth, entry, failed_at, noticed_at, symptom, group, days)


def delay_table(factor: float = 1.0) -> Floats:
    """Return the chance of being noticed so many months after failing, by symptom."""
    days = np.arange(DAYS_PER_MONTH * (DELAY_MONTHS + 1))
    mean = np.array(MEAN_DELAY_DAYS)[:, None] * factor
    return monthly_delays(1 - np.exp(-days / mean), DELAY_MONTHS)


def _fit(one: Town, at: Floats, delay: Floats | None = None) -> HazardModel:
    made = cells(
        one.birth,
        one.entry,
        np.minimum(at, MONTHS),
        at < MONTHS,
        one.group,
        n_months=MONTHS,
        n_groups=STATIONS * LEVELS,
        delay_class=one.symptom,
        delay_months=1 if delay is None else DELAY_MONTHS,
    )
    return fit_hazard(
        made, one.weather, station=one.station, level=one.level, delay=delay
    )


def fits(one: Town, *, wrong_delays: bool = False) -> dict[str, HazardModel]:
    """Return the fits side by side, by how the month of failing was had."""
    lagged = np.maximum(one.noticed_at - 1, one.entry + 1e-6)
    made = {
        "known month": _fit(one, one.failed_at),
        "latent month": _fit(one, one.noticed_at, delay_table()),
        "month of notice": _fit(one, one.noticed_at),
        "the month before": _fit(one, np.where(lagged < MONTHS - 1, lagged, np.inf)),
    }
    if wrong_delays:
        for factor in (0.75, 1.25):
            table = delay_table(factor)
            made[f"latent, delays x {factor}"] = _fit(one, one.noticed_at, table)
    return made


def study(seeds: Iterable[int], *, wrong_delays: bool = False) -> pd.DataFrame:
    """Return one row a replicate, way of fitting and covariate."""
    rows = []
    for seed in seeds:
        for way, model in fits(town(seed), wrong_delays=wrong_delays).items():
            for name, truth in TRUTH.items():
                value, error = model.log_ratio(name)
                inside = abs(value - truth) <= 1.959964 * error
                rows.append((seed, way, name, truth, value, error, inside))
    names = ["seed", "way", "covariate", "truth", "estimate", "error", "inside"]
    return pd.DataFrame(rows, columns=names)


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Return mean, spread, stated error and coverage by way and covariate."""
    grouped = rows.groupby(["covariate", "way"], sort=False)
    return grouped.agg(
        truth=("truth", "first"),
        mean=("estimate", "mean"),
        spread=("estimate", "std"),
        stated=("error", "mean"),
        covers=("inside", "mean"),
        replicates=("inside", "size"),
    )


def main(replicates: int = 400) -> None:
    """Print the study."""
    rows = study(range(replicates), wrong_delays=True)
    text = summary(rows).to_string(float_format=lambda value: f"{value:.4f}")
    sys.stdout.write(text + f"\n99.9 % band of coverage: {BAND[0]}-{BAND[1]}\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
