"""Hours lit: the exposure of what ages by burning rather than by the calendar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.lives.exposure import month_of
from lightwatch.lives.lives import Lives
from lightwatch.nights import YEAR
from lightwatch.nights.darkness import BURN_DEG, Burning, Place

Floats = NDArray[np.float64]

BURNS = ("ballast", "driver", "ignitor", "lamp", "led_module")
"""Kinds that carry current only while the light is lit; photocontrols always do."""

_LEAST_SHARE = 0.01
"""Of the mean month, so that a month of midnight sun can still hold a failure."""


@dataclass(frozen=True)
class HoursLit:
    """Hours for which a working light at the place is lit, from dusk to dawn.

    What a light burnt by day, or missed while dark, is not in them.

    Parameters
    ----------
    burning
        From the oldest part's fitting to the end of the present month.
    """

    burning: Burning

    @property
    def a_year(self) -> float:
        """Mean hours lit a year [h]."""
        at, hours = self.burning.at, self.burning.hours
        return float(hours[-1] / (at[-1] - at[0]) * YEAR)

    def years(self, since: Floats, until: Floats) -> Floats:
        """Return the hours lit from instants to instants, in mean years of them."""
        return self.burning.of(since, until) / self.a_year

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


def hours_lit(lives: Lives) -> HoursLit:
    """Return the hours lit at the middle of the lights, over all these lives."""
    known = lives.register.known
    oldest = np.fmin(lives.frame["installed"].min(), float(known.opened))
    first, last = np.floor(month_of([oldest, known.as_of])).astype(int)
    start, end = _begins(np.array([first, last + 1])).astype(int)
    middle = known.lights[["longitude", "latitude"]].median()
    place = Place(float(middle.iloc[0]), float(middle.iloc[1]), known.clock)
    return HoursLit(Burning.between(place, int(start), int(end), BURN_DEG))
