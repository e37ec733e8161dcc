"""Hazards of parts and feeds: age, weather, and frailty of circuits and lights."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.rough_town.rules import YEAR

Floats = NDArray[np.float64]

STEP_DAYS = 10.0
"""Hazards are constant so long; weather is averaged over it."""

CIRCUIT_SPREAD, LIGHT_SPREAD = 0.35, 0.45
"""Standard deviation of the logarithm of frailty, whose mean is 1."""


@dataclass(frozen=True)
class Law:
    """Hazard a year [1/year, or 1/(km·year)] at an age [years].

    ``infant exp(-age / infant_years) + flat + wear (age / scale)^(wear - 1) / scale``,
    the last a Weibull hazard of shape ``wear``, times ``exp`` of the weather's
    departure from its mean (shares of wet and freeze-thaw days, heat in 10 K).
    """

    kind: str
    type: str
    scale: float
    wear: float
    flat: float = 0.0
    infant: float = 0.0
    wet: float = 0.0
    frost: float = 0.0
    heat: float = 0.0


LAWS = (
    Law("lamp", "hps", 9.0, 2.6, flat=0.01),
    Law("lamp", "mh", 6.5, 2.2, flat=0.015),
    Law("ballast", "hps", 24.0, 2.1),
    Law("ballast", "mh", 20.0, 1.8, heat=0.15),
    Law("ignitor", "hps", 21.0, 1.3, wet=0.5),
    Law("ignitor", "mh", 17.0, 1.3, wet=0.5),
    Law("driver", "led", 28.0, 3.2, flat=0.004, infant=0.04, heat=0.25),
    Law("photocontrol", "thermal", 11.5, 1.5, wet=0.8, frost=0.6),
    Law("photocontrol", "electronic", 21.0, 2.4, flat=0.008, infant=0.02, wet=0.4),
    Law("photocontrol", "long_life", 34.0, 3.0, flat=0.006, wet=0.3),
    Law("fuse", "cartridge", 70.0, 1.0, flat=0.004, wet=0.9),
    Law("wiring", "unknown", 75.0, 2.0, frost=0.9),
    Law("cable", "underground_direct", 22.0, 1.9, flat=0.02, wet=1.2, frost=0.6),
    Law("cable", "underground_duct", 24.0, 1.6, flat=0.01, wet=0.7),
    Law("line", "overhead", 60.0, 1.1, flat=0.02, wet=0.5, frost=0.8),
    Law("supply", "", 10.0, 1.0),
)

NUMBER = {(law.kind, law.type): i for i, law in enumerate(LAWS)}
SHARED = ("cable", "line", "supply")
"""Kinds whose failure darkens more than a light, beside group photocontrols."""

INFANT_YEARS = 0.6


def _of(name: str) -> Floats:
    return np.array([getattr(law, name) for law in LAWS], dtype=float)


SCALE, WEAR, FLAT, INFANT = _of("scale"), _of("wear"), _of("flat"), _of("infant")
WET, FROST, HEAT = _of("wet"), _of("frost"), _of("heat")


def hazard(law: NDArray[np.int64], age_days: Floats) -> Floats:
    """Return the hazard of average weather and frailty [1/year]."""
    age = np.maximum(age_days, 0.5) / YEAR
    scale, wear = SCALE[law], WEAR[law]
    found: Floats = (
        FLAT[law]
        + INFANT[law] * np.exp(-age / INFANT_YEARS)
        + wear / scale * (age / scale) ** (wear - 1.0)
    )
    return found


def weather_days(rng: np.random.Generator, days: int, stormy: Floats) -> pd.DataFrame:
    """Return daily weather; ``stormy``: days (numbers) with a storm."""
    season = np.cos(2 * np.pi * (np.arange(days) - 20) / YEAR)
    drift = np.zeros(days)
    shocks = rng.normal(0, 2.4, days)
    for i in range(1, days):
        drift[i] = 0.75 * drift[i - 1] + shocks[i]
    mean = 10.5 - 9.5 * season + drift
    half = rng.gamma(6.0, 0.75, days)
    rain = np.where(rng.random(days) < 0.33 + 0.07 * season, rng.gamma(0.8, 6, days), 0)
    gust = 18 + rng.gamma(2.2, 7.0, days)
    blown = np.unique(np.clip(stormy.astype(int), 0, days - 1))
    gust[blown] += 45
    rain[blown] += 12
    return pd.DataFrame(
        {
            "tmin_c": np.round(mean - half, 1),
            "tmax_c": np.round(mean + half, 1),
            "rain_mm": np.round(rain, 1),
            "gust_kmh": np.round(gust, 0),
        }
    )


def factors(weather: pd.DataFrame) -> Floats:
    """Return what weather multiplies hazards by: one row a step, one column a law."""
    step = np.arange(len(weather)) // int(STEP_DAYS)
    frost = (weather["tmin_c"] < 0) & (weather["tmax_c"] > 0)
    means = pd.DataFrame(
        {
            "wet": (weather["rain_mm"] >= 1).astype(float),
            "frost": frost.astype(float),
            "heat": (weather["tmin_c"] + weather["tmax_c"]) / 20.0,
        }
    )
    means = means.groupby(step).mean()
    means -= means.mean()
    found: Floats = np.exp(
        np.outer(means["wet"], WET)
        + np.outer(means["frost"], FROST)
        + np.outer(means["heat"], HEAT)
    )
    return found


def frailty(rng: np.random.Generator, number: int, spread: float) -> Floats:
    """Return lognormal frailties of mean 1."""
    return rng.lognormal(-(spread**2) / 2, spread, number)
