"""Reports and sightings of what was dark, and of what was not."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from tests.rough_town.ageing import SLOWER, Ageing, crowd_rate
from tests.rough_town.rules import YEAR
from tests.rough_town.storms import Storms, storm_rates
from tests.rough_town.streets import Floats, Ints, Streets
from tests.rough_town.watching import (
    AGAIN,
    ERROR_M,
    FALSE_A_YEAR,
    MISLOCATED,
    NAMELESS,
    Watch,
    call_time,
)

COLUMNS = ["at", "light", "trouble", "symptom"]
NAMES_MORE = 0.25
"""Chance that a caller names neighbours that are dark through the same fault."""


def _calls(
    rng: np.random.Generator, first: float, start: float, end: float, rate: float
) -> Floats:
    """Return the times of calls about one trouble; the first may be known already."""
    known = np.array([first]) if first == first else np.array([])
    since = first if len(known) else start
    number = rng.poisson(max(0.0, end - since) * rate * (AGAIN if len(known) else 1.0))
    more = call_time(rng, rng.uniform(since, max(since, end), number))
    return np.concatenate((known, more[more < end]))


def of_own(own: pd.DataFrame, watch: Watch, rng: np.random.Generator) -> pd.DataFrame:
    """Return reports of lights in trouble of their own."""
    rows = []
    for row in own.itertuples():
        rate = float(watch.nightly[row.light] * SLOWER[row.symptom])
        first = row.noticed if row.by_report else np.nan
        until = row.end if np.isnan(row.wrong_at) else row.wrong_at
        start = row.start if row.by_report else row.noticed
        told = _calls(rng, first, start, until, rate)
        if not np.isnan(row.back):
            told = np.append(told, _calls(rng, np.nan, row.back, row.end, rate))
        rows += [(at, row.light, f"own-{row.Index}", row.symptom) for at in told]
    return pd.DataFrame(rows, columns=COLUMNS)


def of_feeds(
    feeds: pd.DataFrame, ageing: Ageing, rng: np.random.Generator
) -> pd.DataFrame:
    """Return reports of lights that lie dark together."""
    rows = []
    tree = cKDTree(np.column_stack((ageing.streets.x, ageing.streets.y)))
    for row in feeds.itertuples():
        lights = ageing.dark_lights[row.Index]
        nightly = ageing.watch.nightly[lights]
        seen = ageing.watch.next_sighting(lights, np.full(len(lights), row.start)).min()
        first = row.noticed if row.noticed < seen else np.nan
        start = row.start if row.noticed < seen else row.noticed
        told = _calls(rng, first, start, row.end, crowd_rate(nightly))
        for at in told:
            one = int(rng.choice(lights, p=nightly / nightly.sum()))
            symptom = "group_out" if len(lights) > 2 and rng.random() < 0.25 else "out"
            named = [one]
            if rng.random() < NAMES_MORE:
                near = tree.query_ball_point(tree.data[one], 90.0)
                some = [k for k in near if k != one and k in set(lights.tolist())]
                named += some[: int(rng.integers(1, 3))]
            rows += [(at, light, f"feed-{row.Index}", symptom) for light in named]
    return pd.DataFrame(rows, columns=COLUMNS)


def of_storms(storms: Storms, watch: Watch, rng: np.random.Generator) -> pd.DataFrame:
    """Return reports of a storm: within hours, some of them late."""
    rows = []
    for number, row in enumerate(storms.table.itertuples()):
        lights = storms.lights[number]
        length = row.end - row.start
        calls = rng.poisson(storm_rates(watch.nightly[lights]) * min(length, 1.5))
        who = np.repeat(lights, calls)
        at = row.start + 0.02 + rng.beta(1.1, 2.0, len(who)) * length
        late = rng.random(len(who)) < 0.1
        at[late] = row.end + rng.uniform(0, 1.0, int(late.sum()))
        group = np.where(rng.random(len(who)) < 0.3, "group_out", "out")
        said = zip(at, who, group, strict=True)
        rows += [(a, w, f"storm-{number}", g) for a, w, g in said]
    return pd.DataFrame(rows, columns=COLUMNS)


def of_nothing(watch: Watch, rng: np.random.Generator, days: int) -> pd.DataFrame:
    """Return reports of lights that burn, or that nobody can find."""
    mean = FALSE_A_YEAR * days / YEAR * watch.nightly / watch.nightly.mean()
    who = np.repeat(np.arange(len(mean)), rng.poisson(mean))
    at = call_time(rng, rng.uniform(1, days - 2, len(who)))
    frame = pd.DataFrame({"at": at, "light": who})
    frame["trouble"] = [f"false-{i}" for i in range(len(frame))]
    frame["symptom"] = rng.choice(
        ["out", "flickering", "other"], len(frame), p=[0.7, 0.2, 0.1]
    )
    return frame


def located(
    reports: pd.DataFrame, streets: Streets, rng: np.random.Generator
) -> pd.DataFrame:
    """Return reports with the light that was named (-1: none) and the place told."""
    found = reports.sort_values(["at", "light"], kind="stable").reset_index(drop=True)
    light: Ints = found["light"].to_numpy(dtype=np.int64)
    tree = cKDTree(np.column_stack((streets.x, streets.y)))
    _, near = tree.query(tree.data[light], k=4)
    u, which = rng.random(len(light)), rng.integers(1, 4, len(light))
    other = near[np.arange(len(light)), which]
    named = np.where(u < MISLOCATED, other, light)
    found["named"] = np.where(u > 1 - NAMELESS, -1, named)
    found["x"] = streets.x[named] + rng.normal(0, ERROR_M, len(light))
    found["y"] = streets.y[named] + rng.normal(0, ERROR_M, len(light))
    found["told"] = named
    """The light that is meant by the name or the place, rightly or not."""
    return found


def sightings(
    intervals: pd.DataFrame, watch: Watch, rng: np.random.Generator
) -> pd.DataFrame:
    """Return what patrols noted of lights in trouble: patrol, light, state, time."""
    rows = []
    seen = intervals[intervals["symptom"] != "dayburning"]
    columns = (seen[name] for name in ("light", "start", "end", "symptom"))
    for light, start, end, symptom in zip(*columns, strict=True):
        road = watch.road[light]
        times = watch.visits[road]
        hit = (times > start) & (times < end) & watch.noted[light]
        rows += [
            (watch.visit_patrol[road, k], light, symptom, times[k])
            for k in np.flatnonzero(hit)
        ]
    frame = pd.DataFrame(rows, columns=["patrol", "light", "state", "at"])
    frame = frame.drop_duplicates(["patrol", "light"])
    return frame.sort_values(["at", "light"], kind="stable").reset_index(drop=True)
