"""From order to shelf: how long it takes, and what is used meanwhile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.decisions.stock.climate import DAYS_A_MONTH
from lightwatch.decisions.stock.paths import Whole
from lightwatch.decisions.stock.terms import Floats


@dataclass(frozen=True)
class Wait:
    """Paths of one item: demand, and when what is ordered comes [months from now]."""

    used: Whole
    part_of_first: float
    until: Floats

    def by(self, at: Floats, rng: np.random.Generator) -> Whole:
        """Return what is used by a time on each path [months from now]."""
        months = self.used.shape[1]
        edge = np.concatenate([[0.0], self.part_of_first + np.arange(months)])
        length = np.diff(edge)
        month = np.clip(np.searchsorted(edge, at, side="right") - 1, 0, months - 1)
        sums = np.concatenate(
            [np.zeros((len(at), 1), np.int64), np.cumsum(self.used, axis=1)], axis=1
        )
        rows = np.arange(len(at))
        part = np.clip((at - edge[month]) / length[month], 0.0, 1.0)
        return np.asarray(
            sums[rows, month] + rng.binomial(self.used[rows, month], part)
        )


def lead_months_drawn(
    mean_days: float, spread_days: float, paths: int, rng: np.random.Generator
) -> Floats:
    """Draw lead times, gamma with this mean and spread [months]."""
    if mean_days <= 0:
        return np.zeros(paths)
    if spread_days <= 0:
        return np.full(paths, mean_days / DAYS_A_MONTH)
    shape = (mean_days / spread_days) ** 2
    drawn = rng.gamma(shape, mean_days / shape, paths)
    return np.asarray(drawn / DAYS_A_MONTH)
