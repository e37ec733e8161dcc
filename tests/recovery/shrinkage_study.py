"""Do limits drawn towards the others hold the true rates of groups that differ?

Rates of groups are drawn from a gamma law, the time each was watched differs from group
to group, failures are Poisson. The rates are known, so it is known how often limits
that say 95 % hold the truth: of all, and of the lowest, middle and highest third.

Over laws of all widths they should hold it in 95 of 100; for one law they need not, and
where a typical group has two to ten failures they hold it in 92 to 94.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.rates.shrinkage import shrink

THIRDS = ("lowest", "middle", "highest")


@dataclass(frozen=True)
class Town:
    """What is true of the groups of a town.

    Parameters
    ----------
    typical
        Failures of a typical group.
    spread
        Standard deviation of the true rates, as a share of their mean; None: another
        in each town, so that the share by which a typical group is drawn to the mean
        is anything from none to all.
    groups
        How many.
    """

    typical: float
    spread: float | None
    groups: int = 20


def _shape(town: Town, rng: np.random.Generator) -> float:
    if town.spread is not None:
        return float(town.spread**-2)
    share = rng.random()
    return float(town.typical * share / (1 - share))


def study(town: Town, towns: int, seed: int = 1) -> pd.DataFrame:
    """Return one row a group: limits, truth, and its third by truth and by estimate."""
    rng = np.random.default_rng([seed, round(town.typical * 10)])
    found = []
    for number in range(towns):
        shape = _shape(town, rng)
        truth = rng.gamma(shape, 1 / shape, town.groups)
        exposure = town.typical * np.exp(0.7 * rng.normal(size=town.groups))
        one = shrink(rng.poisson(truth * exposure), exposure)
        rows = pd.DataFrame(
            {"town": number, "truth": truth, "rate": one.rate, "low": one.low,
             "high": one.high}
        )  # fmt: skip
        for by in ("truth", "rate"):
            place = rows[by].rank(method="first").astype(int) - 1
            rows[f"by_{by}"] = [THIRDS[at * 3 // town.groups] for at in place]
        found.append(rows)
    every = pd.concat(found, ignore_index=True)
    inside = (every["low"] <= every["truth"]) & (every["truth"] <= every["high"])
    own = (every["low"] <= every["rate"]) & (every["rate"] <= every["high"])
    return every.assign(inside=inside, own=own)
