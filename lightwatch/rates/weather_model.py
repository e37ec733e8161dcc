"""A hazard by age, group and weather: what a fit gives, and what can be asked of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from lightwatch.errors import NotUnderstood
from lightwatch.rates.cells import Cells
from lightwatch.rates.splines import AgeSpline

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

COVARIATES = ("freeze_thaw", "wet")
"""Days of the month, in the order of the last axis of the weather."""


@dataclass(frozen=True)
class Ratio:
    """Ratio of hazards for one more day in the month, with limits."""

    per_day: float
    low: float
    high: float


@dataclass(frozen=True)
class Gap:
    """A month of which a station has no weather, left out of the fit.

    Parameters
    ----------
    station, month
        Where and when.
    unit_months
        Time under watch left out [unit-months].
    failures
        Failures left out: those noticed then or, where the month of failing is not
        known, the share of them that falls to it.
    """

    station: int
    month: int
    unit_months: float
    failures: float


@dataclass(frozen=True)
class Hazard:
    """Failures per unit-year with limits, at each age asked for."""

    per_year: Floats
    low_per_year: Floats
    high_per_year: Floats


@dataclass(frozen=True)
class Layout:
    """How the log hazard is put together from age, level, weather and season.

    Parameters
    ----------
    spline
        Of age.
    weather
        Stations by months by covariates [days], gaps as NaN.
    mean_weather
        Mean month of all stations, at which ratios are one [days].
    station, level
        Of each group.
    harmonics
        Pairs of season terms.
    offset
        Known part of the log hazard, by month: the log of the hours lit against those
        of a mean month, of what ages by burning; zero of what ages by the calendar.
    """

    spline: AgeSpline
    weather: Floats
    mean_weather: Floats
    station: Ints
    level: Ints
    harmonics: int
    offset: Floats

    @property
    def levels(self) -> int:
        """How many levels of effect there are."""
        return int(self.level.max()) + 1

    @property
    def width(self) -> int:
        """How many terms do not depend on age."""
        return self.levels + self.mean_weather.size + 2 * self.harmonics

    def at_level(self, level: Ints) -> Floats:
        """Return the constant and the effects of levels, the first being the base."""
        made = np.zeros((level.size, self.levels))
        made[:, 0] = 1.0
        made[level > 0, level[level > 0]] = 1.0
        return made

    @property
    def offsets(self) -> Floats:
        """Return the offset of each group and month, in the order of ``places``."""
        return np.tile(self.offset, self.station.size)

    def season(self, month: Ints) -> Floats:
        """Return season terms of months."""
        turn = 2 * np.pi * (month[:, None] % 12 + 0.5) / 12
        order = np.arange(1, self.harmonics + 1)
        return np.concatenate([np.cos(order * turn), np.sin(order * turn)], axis=1)

    def places(self) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Return the terms of each group and month, and whether its weather is known.

        A gap is given the mean of the same month of other years, for judging how a
        failure may fall into it; it takes no part in the fit.
        """
        groups, months = self.station.size, self.weather.shape[1]
        known = np.asarray(~np.isnan(self.weather).any(axis=2))
        filled = (_filled(self.weather) - self.mean_weather)[self.station]
        parts = [
            np.repeat(self.at_level(self.level), months, axis=0),
            filled.reshape(groups * months, -1),
            np.tile(self.season(np.arange(months)), (groups, 1)),
        ]
        return np.concatenate(parts, axis=1), known[self.station].ravel()


def _filled(weather: Floats) -> Floats:
    filled = weather.copy()
    month = np.arange(weather.shape[1]) % 12
    overall = np.nanmean(weather, axis=(0, 1))
    for station, at in np.argwhere(np.isnan(weather).any(axis=2)):
        same = weather[station, month == month[at]]
        seen = same[~np.isnan(same).any(axis=1)]
        filled[station, at] = seen.mean(axis=0) if len(seen) else overall
    return filled


@dataclass(frozen=True)
class HazardModel:
    """A piecewise-exponential hazard, its terms and how sure they are.

    Parameters
    ----------
    layout
        How the terms are put together.
    terms
        Terms of the log hazard per unit-month: age, then constant, levels, weather,
        season.
    covariance
        Of the terms; with latent months, less what not knowing them costs.
    log_likelihood
        At the terms, ridge not counted.
    failures, unit_months
        Used in the fit.
    oldest_years
        Greatest age under watch [years]; beyond it the hazard is extrapolated.
    gaps
        Months left out for want of weather.
    rounds
        Steps to convergence.
    """

    layout: Layout
    terms: Floats
    covariance: Floats
    log_likelihood: float
    failures: float
    unit_months: float
    oldest_years: float
    gaps: tuple[Gap, ...]
    rounds: int

    @property
    def age_terms(self) -> int:
        """How many terms come first and belong to age."""
        return self.terms.size - self.layout.width

    def _place(self, covariate: str) -> int:
        fitted = COVARIATES[: self.layout.mean_weather.size]
        if covariate not in fitted:
            raise NotUnderstood(
                f"weather {covariate!r} is not in the fit (expected one of {fitted})"
            )
        return self.age_terms + self.layout.levels + COVARIATES.index(covariate)

    def log_ratio(self, covariate: str) -> tuple[float, float]:
        """Return the log hazard ratio of a day more in the month, and its error."""
        place = self._place(covariate)
        return float(self.terms[place]), float(np.sqrt(self.covariance[place, place]))

    def ratio(self, covariate: str, confidence: float = 0.95) -> Ratio:
        """Return the ratio of hazards for a day more in the month of failing.

        Parameters
        ----------
        covariate
            ``freeze_thaw`` or ``wet``.
        confidence
            Of the two-sided limits (Wald, on the log).
        """
        value, error = self.log_ratio(covariate)
        away = float(ndtri(0.5 + confidence / 2)) * error
        low, middle, high = np.exp([value - away, value, value + away])
        return Ratio(float(middle), float(low), float(high))

    def log_level(self, level: int) -> tuple[float, float]:
        """Return the log hazard ratio of a level to level 0, and its error."""
        if not 0 < level < self.layout.levels:
            raise NotUnderstood(f"level {level} was not compared with level 0")
        place = self.age_terms + level
        return float(self.terms[place]), float(np.sqrt(self.covariance[place, place]))

    def expected(self, cells: Cells) -> Floats:
        """Return failures expected of time under watch, groups by months.

        Parameters
        ----------
        cells
            On the calendar, groups and age bands of the fit, made with the months of
            notice. Months without weather are not a number.
        """
        terms, known = self.layout.places()
        basis = self.layout.spline.columns(cells.middle_months)[:, : self.age_terms]
        rate = np.exp(basis @ self.terms[: self.age_terms])
        log_ratio = terms @ self.terms[self.age_terms :] + self.layout.offsets
        ratio = np.where(known, np.exp(log_ratio), np.nan)
        watched = np.tensordot(rate, cells.exposure, 1)
        return np.asarray(watched * ratio.reshape(watched.shape))

    def hazard(
        self,
        age_years: npt.ArrayLike,
        group: int,
        month: int | None = None,
        confidence: float = 0.95,
    ) -> Hazard:
        """Return the hazard at ages, with limits.

        Parameters
        ----------
        age_years
            Ages [years].
        group
            Group of the cells.
        month
            Calendar month, for its weather, season and offset; none: the mean weather,
            the mean season and no offset.
        confidence
            Of the two-sided limits (Wald, on the log).

        Raises
        ------
        NotUnderstood
            There is no such group or no weather for that month.
        """
        if not 0 <= group < self.layout.station.size:
            raise NotUnderstood(f"group {group} was not in the fit")
        age = np.atleast_1d(np.asarray(age_years, dtype=np.float64)) * 12 - 0.5
        rest = np.zeros(self.layout.width)
        rest[: self.layout.levels] = self.layout.at_level(self.layout.level[[group]])
        if month is not None:
            rest[self.layout.levels :] = self._month(group, month)
        basis = self.layout.spline.columns(np.maximum(age, 0))[:, : self.age_terms]
        terms = np.column_stack([basis, np.tile(rest, (age.size, 1))])
        known_part = 0.0 if month is None else self.layout.offset[month]
        log_rate = terms @ self.terms + known_part + np.log(12)
        error = np.sqrt(np.einsum("ij,jk,ik->i", terms, self.covariance, terms))
        away = float(ndtri(0.5 + confidence / 2)) * error
        parts = (log_rate, log_rate - away, log_rate + away)
        return Hazard(*(np.asarray(np.exp(part)) for part in parts))

    def _month(self, group: int, month: int) -> Floats:
        layout = self.layout
        months = layout.weather.shape[1]
        if not 0 <= month < months:
            raise NotUnderstood(
                f"month {month} is outside the weather (0-{months - 1})"
            )
        days = layout.weather[layout.station[group], month]
        if np.isnan(days).any():
            raise NotUnderstood(
                f"there is no weather for group {group} in month {month}"
            )
        season = layout.season(np.array([month]))[0]
        return np.concatenate([days - layout.mean_weather, season])
