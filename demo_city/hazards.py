"""Weibull hazards under weather, and what a failure looks like.

Weather is met by thinning [1]_: candidates are drawn at the worst month's hazard and
kept with the chance that their own month's hazard is of it, so that the hazard is
exactly as stated.

References
----------
.. [1] P. A. W. Lewis and G. S. Shedler, Naval Research Logistics 26 (1979).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_city.days import YEAR_DAYS, Calendar, Floats, Ints, Texts
from demo_city.parameters import SHOWS, SYMPTOMS
from demo_city.world import World


@dataclass(frozen=True)
class Hazards:
    """Weibull hazards of a set of holders, with weather.

    Parameters
    ----------
    shape, scale_days
        One per holder.
    ratio
        Hazard ratio, station by month.
    station, first_month
        Station of each holder; month of the first column.
    """

    shape: Floats
    scale_days: Floats
    ratio: Floats
    station: Ints
    first_month: int

    def failure(
        self,
        birth: Floats,
        since: Floats,
        stop: Floats,
        calendar: Calendar,
        rng: np.random.Generator,
    ) -> Floats:
        """Draw times of failure [days] after ``since``; past ``stop`` means never.

        Parameters
        ----------
        birth, since, stop
            Fitted, known to be alive, and end of interest [days].
        calendar
            The days.
        rng
            Random numbers.
        """
        worst = float(self.ratio.max())
        at = since.copy()
        pending = np.arange(at.size)
        while pending.size:
            shape, scale = self.shape[pending], self.scale_days[pending]
            spent = (np.maximum(at[pending] - birth[pending], 0) / scale) ** shape
            spent = spent + rng.exponential(size=pending.size) / worst
            at[pending] = birth[pending] + scale * spent ** (1 / shape)
            pending = pending[at[pending] < stop[pending]]
            month = calendar.month(at[pending]) - self.first_month
            month = np.clip(month, 0, self.ratio.shape[1] - 1)
            kept = self.ratio[self.station[pending], month]
            pending = pending[rng.random(pending.size) * worst >= kept]
        return at


def hazards_of(
    world: World, kind: str, model: Ints, birth: Floats, station: Ints
) -> Hazards:
    """Return the hazards of components, a bad batch counted in."""
    batch, catalogue = world.parameters.batch, world.catalogue
    if kind == "wiring":
        life = world.parameters.life("wiring", "unknown")
        shape = np.full(model.size, life.shape)
        scale = np.full(model.size, life.scale_years * YEAR_DAYS)
        effect = (life.freeze_thaw, life.wet, life.by_burning)
    else:
        shape, scale = catalogue.shape[model], catalogue.scale_days[model]
        any_model = int(model[0]) if model.size else 0
        effect = (
            float(catalogue.freeze_thaw[any_model]),
            float(catalogue.wet[any_model]),
            bool(catalogue.by_burning[any_model]),
        )
    if batch and kind == "photocontrol":
        bad = model == catalogue.index(batch.model)
        bad &= world.calendar.year(birth) == batch.vintage
        scale = np.where(bad, scale / batch.hazard_factor ** (1 / shape), scale)
    ratio = world.climate.multiplier(*effect)
    return Hazards(shape, scale, ratio, station, world.climate.first_month)


def draw_symptoms(kind: str, types: Texts, rng: np.random.Generator) -> Ints:
    """Draw what failures of a kind look like."""
    found = np.zeros(types.size, dtype=np.int64)
    for type_ in dict.fromkeys(types):
        shares = SHOWS.get((kind, str(type_))) or SHOWS[kind, ""]
        codes = [SYMPTOMS.index(name) for name in shares]
        at = np.flatnonzero(types == type_)
        found[at] = rng.choice(codes, at.size, p=list(shares.values()))
    return found
