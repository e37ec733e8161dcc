"""The terms of a hazard of using parts, and what is thought of them beforehand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lightwatch.rates.splines import AgeSpline

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BEND_SD = 1.5
"""Spread of the weak prior on bends of the spline [log]."""

TYPE_SD = 0.7
"""Spread of what the shape of a type departs from its kind [log]."""

LEVEL_SD = {
    "type": 1.5,
    "model": 0.6,
    "depot": 0.4,
    "season": 1.0,
    "depot_season": 0.15,
    "weather": 0.05,
}
"""Spread of the prior on levels [log], and on a day of weather [log per day]."""

HARMONICS = 2

MONTH_SD = 0.1
"""What is thought of the spread of months beforehand, worth ``MONTH_WORTH`` months."""

MONTH_WORTH = 4.0

QUARTER = 3
"""Months to a step of the drift."""

DRIFT_MONTHS = 24.0
"""How long the drift remembers [months]: it is autoregressive of first order."""

DRIFT_SD = 0.05
"""What is thought of its spread beforehand, worth ``DRIFT_WORTH`` quarters."""

DRIFT_WORTH = 8.0


@dataclass(frozen=True)
class Watched:
    """Time under watch and parts used of one type, by age and place.

    A place is a group (model and depot) in a month; places run groups by months.

    Parameters
    ----------
    exposure
        Ages by places [unit-months].
    used
        Parts used, ages by places.
    model, depot
        Of each group: place in the layout's lists.
    """

    type: int
    exposure: Floats
    used: Floats
    model: Ints
    depot: Ints


@dataclass(frozen=True)
class Layout:
    """Which terms there are, and where each kind of them begins.

    ``weather`` has the shape (depots, months, covariates): days beyond those usual in
    the month, none where it is not on record; ``first_month`` counts from January 1970.
    """

    spline: AgeSpline
    age_width: int
    types: int
    models: int
    depots: int
    first_month: int
    months: int
    weather: Floats

    @property
    def sizes(self) -> dict[str, int]:
        """How many terms of each sort there are, in order."""
        place = self.months if self.depots > 1 else 0
        return {
            "age": self.age_width,
            "type_age": self.types * self.age_width if self.types > 1 else 0,
            "constant": 1,
            "type": self.types if self.types > 1 else 0,
            "model": self.models if self.models > 1 else 0,
            "depot": self.depots if self.depots > 1 else 0,
            "season": 2 * HARMONICS,
            "depot_season": 2 * self.depots if self.depots > 1 else 0,
            "weather": self.weather.shape[2],
            "drift": -(-self.months // QUARTER),
            "month": self.months,
            "depot_month": place * self.depots,
        }

    def part(self, name: str) -> slice:
        """Return where terms of a sort stand."""
        begin = 0
        for other, size in self.sizes.items():
            if other == name:
                return slice(begin, begin + size)
            begin += size
        raise KeyError(name)

    @property
    def width(self) -> int:
        """How many terms there are."""
        return sum(self.sizes.values())

    def ages(self, ages_months: npt.ArrayLike, of_type: int) -> Floats:
        """Return the terms of ages of a type; zero but for age and type."""
        basis = self.spline.columns(ages_months)[:, : self.age_width]
        made = np.zeros((len(basis), self.width))
        made[:, self.part("age")] = basis
        if self.types > 1:
            begin = self.part("type_age").start + of_type * self.age_width
            made[:, begin : begin + self.age_width] = basis
        return made

    def levels(self, of_type: int, model: Ints, depot: Ints) -> Floats:
        """Return the terms of groups that do not change over time."""
        made = np.zeros((model.size, self.width))
        made[:, self.part("constant")] = 1.0
        rows = np.arange(model.size)
        which = (("type", np.full(model.size, of_type)), ("model", model))
        for name, place in (*which, ("depot", depot)):
            if self.sizes[name]:
                made[rows, self.part(name).start + place] = 1.0
        return made

    def season(self, calendar_month: Ints) -> Floats:
        """Return the season terms of months counted from January 1970."""
        turn = 2 * np.pi * (calendar_month[:, None] % 12 + 0.5) / 12
        order = np.arange(1, HARMONICS + 1)
        return np.concatenate([np.cos(order * turn), np.sin(order * turn)], axis=1)

    def own_season(self, depot: Ints) -> Ints:
        """Return where the two season terms of a depot's own stand."""
        begin = self.part("depot_season").start + 2 * depot
        return np.column_stack([begin, begin + 1])

    def places(self, watched: Watched) -> Floats:
        """Return the terms of every place, groups by months."""
        groups, months = watched.model.size, self.months
        still = self.levels(watched.type, watched.model, watched.depot)
        made = np.repeat(still, months, axis=0)
        month = np.tile(np.arange(months), groups)
        depot = np.repeat(watched.depot, months)
        made[:, self.part("season")] = self.season(self.first_month + month)
        rows = np.arange(groups * months)
        if self.sizes["depot_season"]:
            for at, place in enumerate(self.own_season(depot).T):
                made[rows, place] = made[:, self.part("season").start + at * HARMONICS]
        made[:, self.part("weather")] = self.weather[depot, month]
        made[rows, self.part("drift").start + month // QUARTER] = 1.0
        made[rows, self.part("month").start + month] = 1.0
        if self.sizes["depot_month"]:
            begin = self.part("depot_month").start
            made[rows, begin + depot * months + month] = 1.0
        return made

    def penalty(self, spreads: Spreads) -> Floats:
        """Return the precision matrix of the prior of the terms."""
        made = np.zeros(self.width)
        made[self.part("age")] = BEND_SD**-2
        made[self.part("age").start] = 0.0
        made[self.part("type_age")] = TYPE_SD**-2
        for name, spread in LEVEL_SD.items():
            made[self.part(name)] = spread**-2
        made[self.part("month")] = spreads.month**-2
        made[self.part("depot_month")] = spreads.depot_month**-2
        precision = np.diag(made)
        drift = self.part("drift")
        precision[drift, drift] = drift_precision(self.sizes["drift"])
        precision[drift, drift] *= spreads.drift**-2
        return precision


@dataclass(frozen=True)
class Spreads:
    """Spreads of months in the place and at a depot, and of the drift [log].

    ``worth`` is how many months the spread of months is known by.
    """

    month: float = MONTH_SD
    depot_month: float = MONTH_SD
    drift: float = DRIFT_SD
    worth: float = MONTH_WORTH

    def away_from(self, other: Spreads) -> float:
        """Return how far two sets of spreads are apart."""
        return (
            abs(self.month - other.month)
            + abs(self.depot_month - other.depot_month)
            + abs(self.drift - other.drift)
        )


def remembers(months: float) -> float:
    """Return what the drift keeps of itself after so many months."""
    return float(np.exp(-months / DRIFT_MONTHS))


def drift_precision(quarters: int) -> Floats:
    """Return the precision of the drift at a spread of one, over so many quarters."""
    keeps = remembers(QUARTER)
    made = np.diag(np.full(quarters, 1 + keeps**2))
    made[0, 0] = made[-1, -1] = 1.0
    beside = np.arange(quarters - 1)
    made[beside, beside + 1] = made[beside + 1, beside] = -keeps
    return made / (1 - keeps**2) if quarters > 1 else np.eye(quarters)
