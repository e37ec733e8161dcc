"""Drive planned patrols through the truth: finds expected beside real ones."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tests.rough_town.asking import Asked
from tests.rough_town.rules import YEAR, stream
from tests.rough_town.streets import Ints
from tests.rough_town.truth import Truth
from tests.rough_town.watching import ASSERTED

CREWS, HOURS = 2, 4.0
"""As in the README."""

AT = 21.5 / 24
"""About the middle of a patrol [days since midnight]."""

BACK_YEARS = 4.0
"""Patrols are planned in the last so many years of a record."""


@dataclass(frozen=True)
class Night:
    """One planned patrol: lights passed, finds expected and real.

    ``real`` is what it would find on average: dark lights passed that nobody has told
    of, times the chance of noting one.
    """

    seed: int
    day: int
    lights: int
    expected: float
    real: float


@dataclass
class Patrols:
    """Patrols of one version of a town, over its seeds."""

    nights: list[Night] = field(default_factory=list)
    seconds: list[tuple[str, float]] = field(default_factory=list)

    def summed(self) -> tuple[float, float, float]:
        """Return finds expected, real ones, and the ratio of real to expected."""
        expected = sum(one.expected for one in self.nights)
        real = sum(one.real for one in self.nights)
        return expected, real, real / expected if expected else float("nan")

    def limits(self, drawn: int = 2000) -> tuple[float, float]:
        """Return 95 % limits of the ratio, nights drawn again with replacement."""
        pairs = np.array([(one.expected, one.real) for one in self.nights])
        rng = np.random.default_rng(0)
        sums = pairs[rng.integers(len(pairs), size=(drawn, len(pairs)))].sum(axis=1)
        low, high = np.percentile(sums[:, 1] / sums[:, 0], [2.5, 97.5])
        return float(low), float(high)


def unknown_at(truth: Truth, day: float) -> Ints:
    """Return the lights that are dark at an instant with nobody having said so.

    Nobody has named the light, and no patrol has noted it, since it went dark.
    """
    rows = truth.intervals
    dark = (rows["start"] <= day) & (rows["end"] > day) & (rows["symptom"] == "out")
    since = rows[dark].groupby("light")["start"].min()
    told = truth.reports[["told", "at"]].rename(columns={"told": "light"})
    signs = pd.concat([told, truth.sightings[["light", "at"]]])
    signs = signs[signs["at"] < day]
    last = signs.groupby("light")["at"].max().reindex(since.index)
    known = last.to_numpy() >= since.to_numpy()
    unknown: Ints = since.index[~known].to_numpy(dtype=np.int64)
    return unknown


def nights(truth: Truth, seed: int, number: int) -> Ints:
    """Return evenly spread days, the first at random, none of them in a storm."""
    step = BACK_YEARS * YEAR / number
    first = truth.days - BACK_YEARS * YEAR + stream(seed, "patrols").uniform(0, step)
    days = np.floor(first + step * np.arange(number)).astype(np.int64)
    calm = [not len(truth.storms_at(day + AT)) for day in days]
    quiet: Ints = days[calm]
    return quiet


def drive(asked: Asked, seed: int, into: Patrols, number: int) -> None:
    """Plan so many patrols of a town, and drive each through the truth."""
    truth, road = asked.town.truth, asked.town.streets.road
    for day in nights(truth, seed, number).tolist():
        plan = asked.patrol(day, crews=CREWS, hours=HOURS)
        legs = [leg for crew in plan["crews"] for leg in crew["legs"]]
        looked = {int(leg["road_id"][1:]) for leg in legs if leg["looking"]}
        passed = np.flatnonzero(np.isin(road, list(looked)))
        assert len(passed) == sum(leg.get("lights", 0) for leg in legs)
        found = np.isin(unknown_at(truth, day + AT), passed).sum()
        expected = float(plan["expected_found"])
        night = Night(seed, day, len(passed), expected, ASSERTED * float(found))
        into.nights.append(night)
    into.seconds += asked.seconds
