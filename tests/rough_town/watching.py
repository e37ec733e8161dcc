"""Who notices a dark light: people, who differ by place, and patrols by night."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.rough_town.streets import Floats, Ints, Streets

ASSERTED = 0.93
"""Chance that a patrol notes a light that is out."""

NIGHTLY = 0.045
"""Reports of a dark light a night, in a middling place."""

AGAIN = 0.45
"""Reports a night after the first, to the rate before it."""

FALSE_A_YEAR = 0.012
"""Reports a year of a light that burns."""

MISLOCATED, NAMELESS = 0.08, 0.12
"""Shares of reports that name a neighbour, or only a place."""

ERROR_M = 14.0
"""Standard deviation of the place that a caller gives, each way."""

PATROLS_A_YEAR, COVERED = 5.0, 0.7
"""Patrols a district and year; share of its roads that one covers."""


@dataclass(frozen=True)
class Watch:
    """How each light is watched."""

    nightly: Floats
    """Reports a night, per light."""

    patrols: pd.DataFrame
    """Patrol, district and start [day]."""

    visits: Floats
    """Days on which a road is passed, sorted; infinite where there are no more."""

    visit_patrol: Ints
    noted: NDArray[np.bool_]
    """Whether that visit would note a light that is out, per light and visit."""

    road: Ints

    def next_sighting(self, lights: Ints, since: Floats) -> Floats:
        """Return when each light, dark since then, is next noted by a patrol."""
        times = np.where(self.noted[lights], self.visits[self.road[lights]], np.inf)
        found: Floats = np.where(times > since[:, None], times, np.inf).min(axis=1)
        return found


def watch(streets: Streets, rng: np.random.Generator, days: int) -> Watch:
    """Draw the habits of a town: districts differ five-fold, neighbourhoods more."""
    districts = int(streets.district.max()) + 1
    habit = np.exp(np.linspace(np.log(0.4), np.log(2.0), districts))
    rng.shuffle(habit)
    local = rng.gamma(4.0, 0.25, int(streets.neighbourhood.max()) + 1)
    classes = streets.roads["class"].to_numpy()[streets.road]
    busy = np.where(
        classes == "arterial", 1.5, np.where(classes == "collector", 1.2, 0.9)
    )
    nightly = NIGHTLY * habit[streets.district] * local[streets.neighbourhood] * busy
    patrols = _patrols(rng, districts, days)
    of_road = np.zeros(len(streets.roads), dtype=np.int64)
    of_road[streets.road] = streets.district
    passed, patrol = _visits(rng, patrols, of_road)
    noted = rng.random((streets.lights, passed.shape[1])) < ASSERTED
    return Watch(nightly, patrols, passed, patrol, noted, streets.road)


def _patrols(rng: np.random.Generator, districts: int, days: int) -> pd.DataFrame:
    rows = []
    for district in range(districts):
        number = rng.poisson(PATROLS_A_YEAR * days / 365.25)
        nights = np.sort(rng.choice(np.arange(1, days - 2), number, replace=False))
        rows += [(district, night + rng.uniform(22.0, 23.5) / 24) for night in nights]
    frame = pd.DataFrame(rows, columns=["district", "start"]).sort_values("start")
    return frame.reset_index(drop=True)


def _visits(
    rng: np.random.Generator, patrols: pd.DataFrame, of_road: Ints
) -> tuple[Floats, Ints]:
    """Return when each road is passed, and by which patrol, padded at the end."""
    times: list[list[float]] = [[] for _ in of_road]
    names: list[list[int]] = [[] for _ in of_road]
    starts = zip(patrols["district"], patrols["start"], strict=True)
    for number, (district, start) in enumerate(starts):
        roads = np.flatnonzero(of_road == district)
        taken = np.sort(roads[rng.random(len(roads)) < COVERED])
        for road, at in zip(taken, np.linspace(0.005, 0.1, len(taken)), strict=True):
            times[road].append(start + at)
            names[road].append(number)
    most = max(map(len, times)) + 1
    passed = np.full((len(of_road), most), np.inf)
    patrol = np.full((len(of_road), most), -1, dtype=np.int64)
    for road, (some, which) in enumerate(zip(times, names, strict=True)):
        passed[road, : len(some)] = some
        patrol[road, : len(some)] = which
    return passed, patrol


def call_time(rng: np.random.Generator, at: Floats) -> Floats:
    """Return when somebody who saw it tells of it: that evening, or next day."""
    evening = rng.random(len(at)) < 0.6
    hour = np.where(
        evening, rng.uniform(19, 23.9, len(at)), rng.uniform(7, 17, len(at))
    )
    told = np.floor(at) + np.where(evening, 0, 1) + hour / 24
    return np.where(told <= at + 0.01, told + 1.0, told)


def working_time(rng: np.random.Generator, at: Floats) -> Floats:
    """Return the first hour of work at or after a time."""
    done = np.floor(at) + (7.5 + 8 * rng.random(len(at))) / 24
    return np.where(done <= at, done + 1.0, done)
