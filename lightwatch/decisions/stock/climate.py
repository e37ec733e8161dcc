"""Frost and rain beyond the usual, as they reach the shelf.

A part is used when its failure has been noticed and mended, not when it fails: the
weather of a month reaches the shelf spread over the months after it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.decisions.stock.shelf import Served
from lightwatch.decisions.stock.terms import Floats
from lightwatch.lives.exposure import monthly_weather
from lightwatch.register import Register

LONGEST_LAG = 4
"""Months over which a month's weather is spread."""

DAYS_A_MONTH = 365.25 / 12

LEAST_YEARS = 2
"""With fewer years of weather, what is usual in a month is not known."""


@dataclass(frozen=True)
class Climate:
    """Days beyond the usual, by depot, month and covariate (frost, rain).

    Parameters
    ----------
    first_month
        The first month, counted from January 1970.
    felt
        As they reach the shelf; zero where not on record. No covariates at all where
        there is too little weather to know what is usual.
    lag
        Share of a month's weather that reaches the shelf so many months later.
    """

    first_month: int
    felt: Floats
    lag: Floats

    @property
    def covariates(self) -> int:
        """How many covariates there are: frost and rain, or none."""
        return int(self.felt.shape[2])

    def to_come(
        self, first_month: int, months: int, paths: int, rng: np.random.Generator
    ) -> Floats:
        """Draw weather to come: stretches of past years, season kept.

        Returns
        -------
        numpy.ndarray
            Days beyond the usual, paths by depots by months by covariates.
        """
        depots, seen, covariates = self.felt.shape
        if not covariates:
            return np.zeros((paths, depots, months, 0))
        offset = (first_month - self.first_month) % 12
        whole = (seen - offset) // 12 * 12
        start = 12 * rng.integers(0, whole // 12, paths)
        keep = offset + (start[:, None] + np.arange(months)) % whole
        return np.asarray(self.felt[:, keep].transpose(1, 0, 2, 3))


def lag_shares(delay_days: float, months: int = LONGEST_LAG) -> Floats:
    """Return how what happens evenly over a month is spread by an exponential delay.

    Parameters
    ----------
    delay_days
        Mean delay [days].
    months
        Months to spread over; what comes later is put into the last.

    Examples
    --------
    >>> lag_shares(0.0, 3)
    array([1., 0., 0.])
    """
    if delay_days <= 0:
        return np.asarray(np.eye(months)[0])
    mean = delay_days / DAYS_A_MONTH
    edges = np.arange(months, dtype=float)
    late = mean * -np.expm1(-1 / mean) * np.exp(-edges / mean)
    beyond = np.concatenate([[1.0], late])
    shares = beyond[:-1] - beyond[1:]
    shares[-1] += beyond[-1]
    return np.asarray(shares, dtype=float)


def _departures(days: Floats, first_month: int) -> Floats:
    """Return days less the mean of the same calendar month, 0 where not on record."""
    calendar = (first_month + np.arange(days.shape[1])) % 12
    made = np.zeros_like(days)
    for month in range(12):
        at = calendar == month
        if at.any():
            some = days[:, at]
            seen = ~np.isnan(some)
            total = np.where(seen, some, 0.0).sum(axis=1)
            usual = total / np.maximum(seen.sum(axis=1), 1)
            made[:, at] = some - usual[:, None]
    return np.nan_to_num(made)


def climate(register: Register, served: Served, months: int, delay: float) -> Climate:
    """Return the weather that each depot's lights met since the register was opened.

    Parameters
    ----------
    register, served
        What stands, and which depot serves it.
    months
        How many.
    delay
        Mean time from failing to the repair [days].
    """
    weather = monthly_weather(register.known)
    depots = served.shelf.depots
    none = np.zeros((len(depots), months, 0))
    lag = lag_shares(delay)
    if not weather.stations or months < 12 * LEAST_YEARS:
        return Climate(weather.first_month, none, lag)
    if np.isnan(weather.days).all():
        return Climate(weather.first_month, none, lag)
    station = {name: i for i, name in enumerate(weather.stations)}
    count = np.zeros((len(depots), len(station)))
    for light, name in register.nearest_station.items():
        count[depots.index(served.of_light[light]), station[name]] += 1
    count[count.sum(axis=1) == 0] = 1
    share = count / count.sum(axis=1, keepdims=True)
    days = np.full((len(station), months, weather.days.shape[2]), np.nan)
    known = min(months, weather.days.shape[1])
    days[:, :known] = weather.days[:, :known]
    beyond = _departures(days, weather.first_month)
    by_depot = np.einsum("ds,smc->dmc", share, beyond)
    felt = sum(
        part * np.pad(by_depot, ((0, 0), (late, 0), (0, 0)))[:, :months]
        for late, part in enumerate(lag)
    )
    return Climate(weather.first_month, np.asarray(felt, float), lag)
