"""Put a rough town together: as built, as lived, as told, as written down."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tests.rough_town import mending, telling
from tests.rough_town.ageing import FEED, Ageing
from tests.rough_town.drawings import Drawings, drawn
from tests.rough_town.laws import factors, weather_days
from tests.rough_town.parts import KIND, TYPE, Parts, fitted
from tests.rough_town.records import Written, papers, write
from tests.rough_town.rules import PRESETS, YEAR, Roughness, stream
from tests.rough_town.storms import Storms, storms
from tests.rough_town.streets import Streets, build
from tests.rough_town.truth import Truth, all_intervals
from tests.rough_town.watching import Watch, watch


@dataclass(frozen=True)
class RoughTown:
    """A town, what is so in it and what is on record of it."""

    streets: Streets
    truth: Truth
    written: Written
    watch: Watch

    def write(self, folder: Path) -> Path:
        """Write the data package into a folder that is not there yet."""
        return write(folder, self.written)


def rough_town(
    seed: int,
    rough: Roughness | str = "clean",
    *,
    lights: int = 5400,
    years: float = 8.0,
) -> RoughTown:
    """Make a town; the same seed makes the same truth in presets without storms."""
    rules = PRESETS[rough] if isinstance(rough, str) else rough
    days = round(years * YEAR)
    streets = build(stream(seed, "streets"), lights)
    parts = fitted(streets, stream(seed, "parts"))
    at_first = Parts(**{k: np.copy(v) for k, v in vars(parts).items()})
    storm = storms(streets, parts, rules, stream(seed, "storms"), days)
    weather = weather_days(
        stream(seed, "weather"), days, storm.table["start"].to_numpy()
    )
    watching = watch(streets, stream(seed, "watch"), days)
    ageing = Ageing(
        streets, parts, watching, factors(weather), storm.forced, days,
        stream(seed, "ageing"),
    )  # fmt: skip
    ageing.run()
    own = pd.concat(ageing.own, ignore_index=True)
    feeds = pd.DataFrame(ageing.feeds, columns=FEED)
    reports = _reports(seed, ageing, own, feeds, storm, days)
    lit = tuple(ageing.dark_lights[i] for i in range(len(feeds)))
    intervals = all_intervals(own, feeds, lit, storm.table, storm.lights)
    seen = telling.sightings(intervals, watching, stream(seed, "sightings"))
    until = pd.Series(intervals.groupby("trouble")["end"].max())
    repairs = _repairs(seed, own, feeds, storm, reports, until)
    drawings = drawn(streets, rules, stream(seed, "drawings"))
    written = papers(streets, at_first, drawings, watching, weather, reports, repairs,
                     seen, rules, stream(seed, "papers"))  # fmt: skip
    truth = _truth(streets, drawings, ageing, own, feeds, lit, storm, intervals,
                   reports, written, seen, days)  # fmt: skip
    return RoughTown(streets, truth, written, watching)


def _reports(
    seed: int,
    ageing: Ageing,
    own: pd.DataFrame,
    feeds: pd.DataFrame,
    storm: Storms,
    days: int,
) -> pd.DataFrame:
    said = [
        telling.of_own(own, ageing.watch, stream(seed, "calls")),
        telling.of_feeds(feeds, ageing, stream(seed, "calls of feeds")),
        telling.of_storms(storm, ageing.watch, stream(seed, "calls of storms")),
        telling.of_nothing(ageing.watch, stream(seed, "calls of nothing"), days),
    ]
    told = pd.concat([one for one in said if len(one)], ignore_index=True)
    told = told[told["at"] < days]
    return telling.located(told, ageing.streets, stream(seed, "places"))


def _repairs(
    seed: int,
    own: pd.DataFrame,
    feeds: pd.DataFrame,
    storm: Storms,
    reports: pd.DataFrame,
    until: pd.Series,
) -> pd.DataFrame:
    told = reports.groupby("trouble")["light"].first()
    rows = [
        mending.of_own(own, stream(seed, "crews")),
        mending.of_feeds(feeds, stream(seed, "crews of feeds")),
        mending.before_feeds(feeds, told, stream(seed, "first visits")),
        mending.of_storms(storm, stream(seed, "restorations")),
        mending.of_nothing(reports, until, stream(seed, "visits for nothing")),
    ]
    found = pd.concat([one for one in rows if len(one)], ignore_index=True)
    found = found.sort_values("at", kind="stable").reset_index(drop=True)
    whole = dict.fromkeys(("light", "circuit", "section", "fitted", "model"), np.int64)
    return found.astype(whole).assign(report=mending.answered(found, reports))


def _truth(
    streets: Streets,
    drawings: Drawings,
    ageing: Ageing,
    own: pd.DataFrame,
    feeds: pd.DataFrame,
    lit: tuple[np.ndarray, ...],
    storm: Storms,
    intervals: pd.DataFrame,
    reports: pd.DataFrame,
    written: Written,
    seen: pd.DataFrame,
    days: int,
) -> Truth:
    def told(frame: pd.DataFrame) -> pd.DataFrame:
        law = frame["law"].to_numpy()
        return frame.assign(kind=KIND[law], type=TYPE[law])

    shared = told(feeds).rename(columns={"light": "section"})
    shared["lights"] = [len(some) for some in lit]
    hazards = pd.DataFrame(
        {"kind": KIND, "type": TYPE, "exposure": ageing.exposure,
         "failures": ageing.failures, "expected": ageing.expected}
    )  # fmt: skip
    with np.errstate(invalid="ignore"):
        hazards["rate_per_1000"] = 1000 * hazards["expected"] / hazards["exposure"]
    return Truth(
        days, streets.circuit, drawings.circuit, drawings.sections, shared, lit,
        storm.table.assign(lights=[len(some) for some in storm.lights]), storm.lights,
        told(own), intervals, hazards, reports.assign(report_id=written.report_ids),
        written.repairs_made, seen,
    )  # fmt: skip
