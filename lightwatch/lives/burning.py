"""Hours lit: the exposure of what ages by burning rather than by the calendar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.lives.lives import Lives
from lightwatch.nights import DAY, YEAR
from lightwatch.nights.darkness import BURN_DEG, Burning, Place

Floats = NDArray[np.float64]

BURNS = ("ballast", "driver", "ignitor", "lamp", "led_module")
"""Kinds that carry current only while the light is lit; photocontrols always do."""

SOLAR_YEAR = 31_556_926_000_000
"""A tropical year, 365.2422 days [microseconds]."""

_LEAST_SHARE = 0.01
"""Of the mean month, so that a month of midnight sun can still hold a failure."""


@dataclass(frozen=True)
class HoursLit:
    """Hours for which a working light at the place is lit, from dusk to dawn.

    What a light burnt by day, or missed while dark, is not in them.

    Parameters
    ----------
    year
        One year of them, day by day: the sun comes back, year by year, to within
        minutes. Within a day they are spread evenly.
    """

    year: Burning

    @classmethod
    def at(cls, place: Place, start: int) -> HoursLit:
        """Return the hours lit at a place, by the year that begins at an instant."""
        days = start + DAY * np.arange(367)
        lit = Burning.between(place, start, int(days[-1]), BURN_DEG)
        hours = np.interp(days, lit.at, lit.hours)
        at = np.append(days[:-1], start + SOLAR_YEAR)
        return cls(Burning(at, np.interp(at, days, hours)))

    @property
    def a_year(self) -> float:
        """Hours lit a year [h]."""
        return float(self.year.hours[-1])

    def hours(self, since: Floats, until: Floats) -> Floats:
        """Return the hours lit from instants to instants [h]."""
        return np.maximum(self._until(until) - self._until(since), 0.0)

    def years(self, since: Floats, until: Floats) -> Floats:
        """Return the hours lit from instants to instants, in years of them."""
        return self.hours(since, until) / self.a_year

    def _until(self, instants: Floats) -> Floats:
        at, length = self.year.at, self.year.at[-1] - self.year.at[0]
        whole, rest = np.divmod(instants - at[0], length)
        within = np.interp(rest, at - at[0], self.year.hours)
        return np.asarray(whole * self.a_year + within)

    def log_share(self, first_month: int, months: int) -> Floats:
        """Return the log of hours lit a day, by month, against the mean.

        Parameters
        ----------
        first_month
            Counted from January 1970.
        months
            How many.
        """
        edges = _begins(np.arange(first_month, first_month + months + 1))
        lit = self.years(edges[:-1], edges[1:]) / (np.diff(edges) / YEAR)
        return np.asarray(np.log(np.maximum(lit, _LEAST_SHARE)))

    def aged(self, some: pd.DataFrame) -> pd.DataFrame:
        """Return lives with their ages in mean years of hours lit.

        Parameters
        ----------
        some
            With the instants ``born``, ``start``, ``low`` and ``high``.
        """
        born = some["born"].to_numpy(float)
        names = {"entry_age": "start", "low_age": "low", "high_age": "high"}
        return some.assign(
            **{
                age: self.years(born, some[at].to_numpy(float))
                for age, at in names.items()
            }
        )


def _begins(months: NDArray[np.int64]) -> Floats:
    return months.astype("datetime64[M]").astype("datetime64[us]").astype(float)


def hours_lit(lives: Lives) -> HoursLit | None:
    """Return the hours lit at the middle of the lights; None where there are none."""
    known = lives.register.known
    if known.lights.empty:
        return None
    middle = known.lights[["longitude", "latitude"]].median()
    place = Place(float(middle.iloc[0]), float(middle.iloc[1]), known.clock)
    return HoursLit.at(place, known.opened)
