"""Weather of the invented city: a wet riverside, a frosty hill, a mild south."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo_city.days import Calendar, Floats, Ints
from demo_city.geography import Streets
from lightwatch.nights.darkness import BURN_DEG, Burning, Place

STATIONS = ("WS-QUAY", "WS-HILL", "WS-MEAD")
PLACES = np.array([[-0.45, -0.35], [0.40, 0.45], [0.45, -0.45]])
"""Of each station, as shares of the city's reach to the east and north."""

COLDER_C = np.array([0.0, -2.6, 0.6])
WET_CHANCE = np.array([0.56, 0.30, 0.34])
FREEZE_THAW_C, WET_MM = 0.0, 1.0


@dataclass(frozen=True)
class Climate:
    """Daily weather per station, and what of it counts for hazards.

    Parameters
    ----------
    daily
        As written.
    x, y
        Of the stations [m].
    first_month
        First month of the weather, counted from January 1970.
    freeze_thaw_days, wet_days
        Per station and month [days].
    lit
        Hours lit a day in each month, against the mean.
    """

    daily: pd.DataFrame
    x: Floats
    y: Floats
    first_month: int
    freeze_thaw_days: Floats
    wet_days: Floats
    lit: Floats

    def nearest(self, x: Floats, y: Floats) -> Ints:
        """Return the station nearest to each point."""
        away = np.hypot(x[:, None] - self.x, y[:, None] - self.y)
        return np.asarray(np.argmin(away, axis=1), dtype=np.int64)

    def multiplier(
        self, freeze_thaw: float, wet: float, by_burning: bool = False
    ) -> Floats:
        """Return the hazard ratio per station and month; 1 in the mean month."""
        return np.asarray(
            (self.lit if by_burning else 1.0)
            * np.exp(
                freeze_thaw * (self.freeze_thaw_days - self.freeze_thaw_days.mean())
                + wet * (self.wet_days - self.wet_days.mean())
            )
        )


def _autoregressive(size: int, keep: float, rng: np.random.Generator) -> Floats:
    noise = rng.normal(size=size) * np.sqrt(1 - keep**2)
    noise[0] *= (1 - keep) / np.sqrt(1 - keep**2)
    smooth = pd.Series(noise).ewm(alpha=1 - keep, adjust=False).mean()
    return np.asarray(smooth / (1 - keep))


def _station(
    dates: pd.DatetimeIndex, front: Floats, number: int, rng: np.random.Generator
) -> pd.DataFrame:
    size = dates.size
    season = -np.cos(2 * np.pi * (dates.day_of_year.to_numpy() - 18) / 365.25)
    mean = 8.4 + 7.8 * season + 2.9 * front + COLDER_C[number]
    mean = mean + rng.normal(0, 0.8, size)
    wetness = 0.75 * _autoregressive(size, 0.6, rng) + 0.66 * front
    chance = WET_CHANCE[number] * (1.0 - 0.25 * season)
    wet = wetness / np.std(wetness) > _probit(1 - chance)
    spread = np.where(wet, 2.6, 4.4) + rng.gamma(2.0, 0.5, size)
    rain = np.where(wet, 1.0 + rng.gamma(0.8, 6.5, size), 0.0)
    drizzle = ~wet & (rng.random(size) < 0.15)
    rain = np.where(drizzle, rng.uniform(0.1, 0.9, size), rain)
    humid = 74 - 6 * season + 12 * wet + rng.normal(0, 6, size)
    gust = 22 + 9 * rng.gumbel(size=size) + 6 * wet - 5 * season
    return pd.DataFrame(
        {
            "station_id": STATIONS[number],
            "date": dates.strftime("%Y-%m-%d"),
            "tmin_c": np.round(mean - spread, 1),
            "tmax_c": np.round(mean + spread, 1),
            "rain_mm": np.round(rain, 1),
            "rh_mean_pct": np.round(np.clip(humid, 25, 100), 0),
            "gust_kmh": np.round(np.clip(gust, 4, None), 0),
        }
    )


def _probit(chance: Floats) -> Floats:
    """Return standard normal quantiles, good to 5e-4 (Abramowitz & Stegun 26.2.23)."""
    tail = np.minimum(chance, 1 - chance)
    t = np.sqrt(-2 * np.log(tail))
    top = 2.515517 + 0.802853 * t + 0.010328 * t**2
    value = t - top / (1 + 1.432788 * t + 0.189269 * t**2 + 0.001308 * t**3)
    return np.asarray(np.where(chance < 0.5, -value, value))


def _lit(place: Place, first_month: int, months: int) -> Floats:
    """Return the hours lit a day of each month, against the mean of whole years."""
    edges = np.arange(first_month, first_month + months + 1).astype("datetime64[M]")
    at = edges.astype("datetime64[us]").astype(np.int64)
    burning = Burning.between(place, int(at[0]), int(at[-1]), BURN_DEG)
    hours = burning.of(at[:-1].astype(float), at[1:].astype(float)) / np.diff(at)
    whole = months // 12 * 12 or months
    return np.asarray(hours / hours[:whole].mean())


def climate(
    calendar: Calendar, place: Place, roads: Streets, rng: np.random.Generator
) -> Climate:
    """Draw daily weather from the opening of the register to the day before export."""
    days = int(calendar.end)
    dates = pd.date_range(calendar.opened_on, periods=days, freq="D")
    front = _autoregressive(days, 0.75, rng)
    parts = [_station(dates, front, i, rng) for i in range(len(STATIONS))]
    daily = pd.concat(parts, ignore_index=True)
    first = int(calendar.month(np.zeros(1))[0])
    month = np.tile(calendar.month(np.arange(days, dtype=float)) - first, len(parts))
    months = int(month.max()) + 1
    cell = np.repeat(np.arange(len(parts)), days) * months + month
    thaw = (daily["tmin_c"] < FREEZE_THAW_C) & (daily["tmax_c"] > FREEZE_THAW_C)
    wet = daily["rain_mm"] >= WET_MM
    shape = (len(parts), months)
    reach = np.abs(roads.points[:, 1]).max(axis=0)
    return Climate(
        daily,
        PLACES[:, 0] * reach[0],
        PLACES[:, 1] * reach[1],
        first,
        _days_with(thaw, cell, shape),
        _days_with(wet, cell, shape),
        _lit(place, first, months),
    )


def _days_with(weather: pd.Series[bool], cell: Ints, shape: tuple[int, int]) -> Floats:
    """Count the days of each station and month on which something was so."""
    weights = weather.to_numpy(dtype=np.float64)
    days = np.bincount(cell, weights, shape[0] * shape[1]).reshape(shape)
    return days.astype(np.float64)


def storm_days(daily: pd.DataFrame, count: int) -> Ints:
    """Return the gustiest days since opening, each once."""
    gust = daily["gust_kmh"].to_numpy().reshape(len(STATIONS), -1).max(axis=0)
    return np.sort(np.argsort(gust)[::-1][:count]).astype(np.int64)
