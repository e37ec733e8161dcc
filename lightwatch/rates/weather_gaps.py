"""Months without weather: what the weather models could not use."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from lightwatch.lives.exposure import Weather
from lightwatch.rates.weather_model import HazardModel


@dataclass(frozen=True)
class WeatherGap:
    """Months on end in which a station has no weather; left out, never filled.

    Parameters
    ----------
    station
        Its identifier.
    first, last
        Months, both included, as ``2019-03``.
    unit_years, failures
        Of all kinds with a weather model, left out of it for this.
    """

    station: str
    first: str
    last: str
    unit_years: float
    failures: float


def weather_gaps(
    weather: Weather, models: Iterable[HazardModel]
) -> tuple[WeatherGap, ...]:
    """Return the gaps that cost the models something, by station and time."""
    lost: dict[tuple[int, int], tuple[float, float]] = {}
    for model in models:
        for gap in model.gaps:
            at = gap.station, gap.month
            months, failures = lost.get(at, (0.0, 0.0))
            lost[at] = months + gap.unit_months, failures + gap.failures
    runs: list[list[tuple[int, int]]] = []
    for station, month in sorted(lost):
        if runs and runs[-1][-1] == (station, month - 1):
            runs[-1].append((station, month))
        else:
            runs.append([(station, month)])
    return tuple(_gap(weather, run, lost) for run in runs)


def _gap(
    weather: Weather,
    run: list[tuple[int, int]],
    lost: dict[tuple[int, int], tuple[float, float]],
) -> WeatherGap:
    months = np.array(
        [weather.first_month + run[0][1], weather.first_month + run[-1][1]]
    )
    first, last = months.astype("datetime64[M]").astype(str)
    return WeatherGap(
        weather.stations[run[0][0]],
        str(first),
        str(last),
        sum(lost[at][0] for at in run) / 12,
        sum(lost[at][1] for at in run),
    )
