"""At what age to replace a part that still works, and what that saves.

A dedicated visit for a part that works is age replacement after Barlow and Proschan
[1]_. While the truck is up for another reason only the part and a few minutes are
spent: opportunistic replacement after Dekker and Dijkstra [2]_. Where the hazard does
not rise, neither pays, and neither is advised.

References
----------
.. [1] R. E. Barlow, F. Proschan, Mathematical Theory of Reliability (1965), chapter 4;
   from memory.
.. [2] R. Dekker, M. C. Dijkstra, Naval Research Logistics 39 (1992), 175-190; from
   memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.decisions.stock.terms import Floats


@dataclass(frozen=True)
class Life:
    """Survival of parts on a grid of ages.

    Parameters
    ----------
    ages_years
        From 0, evenly.
    survival
        Share still working at each; the last axis is age, others are draws.
    """

    ages_years: Floats
    survival: Floats

    @property
    def step_years(self) -> float:
        """Step of the grid [years]."""
        return float(self.ages_years[1] - self.ages_years[0])

    def lived(self) -> Floats:
        """Return the mean time lived up to each age [years]."""
        middle = (self.survival[..., 1:] + self.survival[..., :-1]) / 2
        sums = np.cumsum(middle * self.step_years, axis=-1)
        first = np.zeros((*sums.shape[:-1], 1))
        return np.concatenate([first, sums], axis=-1)


def age_cost(life: Life, planned: float, failed: float) -> Floats:
    """Return the cost per year of replacing at each age at the latest.

    Parameters
    ----------
    life
        Of the part.
    planned, failed
        Cost of replacing one that works, and one that has failed.
    """
    gone = 1 - life.survival
    lived = life.lived()
    lived[..., 0] = np.nan
    return np.asarray((planned * life.survival + failed * gone) / lived)


def opportunity_cost(
    life: Life, planned: float, failed: float, visits_per_year: float
) -> Floats:
    """Return the cost per year of replacing at the first visit after each age.

    Visits for other reasons come at a constant rate.

    Parameters
    ----------
    life
        Of the part; the last age stands for all later ones, by its hazard there.
    planned, failed
        Cost of replacing one that works during such a visit, and of a failure.
    visits_per_year
        How often a truck is up there for another reason [1/year].
    """
    step, rate = life.step_years, visits_per_year
    keep = np.exp(-rate * step)
    survival = life.survival
    ratio = survival[..., -1] / np.maximum(survival[..., -2], 1e-300)
    end = -np.log(np.clip(ratio, 1e-12, 1 - 1e-9)) / step
    rest = np.zeros_like(survival)
    rest[..., -1] = survival[..., -1] / (rate + end)
    weight = (1 - keep) / rate if rate > 0 else step
    for at in range(survival.shape[-1] - 2, -1, -1):
        middle = (survival[..., at] + survival[..., at + 1]) / 2
        rest[..., at] = middle * weight + keep * rest[..., at + 1]
    cost = planned * rate * rest + failed * (1 - rate * rest)
    return np.asarray(cost / (life.lived() + rest))


def run_to_failure(life: Life, failed: float) -> Floats:
    """Return the cost per year of replacing failed parts only."""
    survival = life.survival
    ratio = survival[..., -1] / np.maximum(survival[..., -2], 1e-300)
    end = -np.log(np.clip(ratio, 1e-12, 1 - 1e-9)) / life.step_years
    return np.asarray(failed / (life.lived()[..., -1] + survival[..., -1] / end))


def best_age(life: Life, cost: Floats) -> tuple[Floats, Floats]:
    """Return the age of least cost and that cost, by draw."""
    safe = np.where(np.isfinite(cost), cost, np.inf)
    at = safe.argmin(axis=-1)
    return life.ages_years[at], np.take_along_axis(safe, at[..., None], -1)[..., 0]
