"""Mornings in invented cities: what is judged, what is known to be out, what is true.

A city is simulated once and loaded once, and judged as of several mornings far enough
apart that hardly any trouble is open on two of them.
"""

from __future__ import annotations

import dataclasses
import math
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from datetime import time as clock_time
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from demo_city import Parameters, Truth, simulate
from demo_city.parameters import REPORT_PER_NIGHT, SYMPTOMS
from lightwatch.decisions.triage import CircuitJudged, Triage
from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.lives import lives
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known
from lightwatch.observations.package import Package
from lightwatch.register import Register
from lightwatch.register.register import EARTH_RADIUS_M
from lightwatch.store import Store, open_store
from lightwatch.words import DARK, UNANSWERED

YEARS = 4
APART_DAYS = 75
HOUR = 6


def per_night(reported: float, nights: float = 14.0) -> float:
    """Return the rate of reports that gives this chance of one within some nights."""
    return -math.log1p(-reported) / nights


def parameters_for(reported: float, lights: int, **changed: object) -> Parameters:
    """Return a city in which dark lights are reported with this chance in 14 nights."""
    rates = dict(zip(SYMPTOMS, REPORT_PER_NIGHT, strict=True))
    rates |= dict.fromkeys(DARK, per_night(reported))
    made = Parameters(
        lights=lights, years=YEARS, report_per_night=tuple(rates.values())
    )
    return dataclasses.replace(made, **changed)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Morning:
    """One city as of one morning, before crews set out.

    Parameters
    ----------
    seed, number
        Which city; how many steps before its export.
    register
        What was known.
    known_out
        Lights reported or sighted dark, and open.
    judged
        Circuits on which there is one.
    troubles, off_record
        What was truly in trouble, ``dark_light_ids`` included; and what had been
        mended though nothing on record said so.
    seconds
        What loading the known and judging it took [s].
    """

    seed: int
    number: int
    register: Register
    known_out: frozenset[str]
    judged: list[CircuitJudged]
    troubles: pd.DataFrame
    off_record: pd.DataFrame
    seconds: float

    @cached_property
    def lights(self) -> pd.DataFrame:
        """Lights in service, with positions east and north [m] and ``known`` out."""
        lights = self.register.standing[
            ["light_id", "circuit_id", "section_id", "longitude", "latitude"]
        ]
        place = np.radians(lights[["longitude", "latitude"]].to_numpy(float))
        metres = (place - place.mean(axis=0)) * EARTH_RADIUS_M
        return lights.assign(
            x_m=metres[:, 0] * math.cos(place[:, 1].mean()),
            y_m=metres[:, 1],
            known=lights["light_id"].isin(self.known_out),
        ).reset_index(drop=True)

    @cached_property
    def on_circuit(self) -> dict[str, frozenset[str]]:
        """Lights in service of each circuit."""
        lights = self.lights[self.lights["circuit_id"] != ""]
        return lights.groupby("circuit_id")["light_id"].agg(frozenset).to_dict()

    @cached_property
    def beyond(self) -> dict[str, frozenset[str]]:
        """Lights in service that each section on record feeds."""
        feeds = self.register.feeds
        found: dict[str, set[str]] = {}
        columns = self.lights["light_id"], self.lights["section_id"]
        for light, section in zip(*columns, strict=True):
            for one in feeds.get(section, ()):
                found.setdefault(one, set()).add(light)
        return {section: frozenset(lights) for section, lights in found.items()}

    def feed_faults(self, troubles: pd.DataFrame) -> pd.DataFrame:
        """Return faults of sections and whole circuits: ``dark``, lights in service."""
        shared = troubles["level"].isin(["section", "circuit"])
        shared &= troubles["symptom"].isin(DARK)
        faults = troubles[shared]
        standing = set(self.lights["light_id"])
        dark = [frozenset(ids) & standing for ids in faults["dark_light_ids"]]
        return faults.assign(dark=dark).reset_index(drop=True)

    @cached_property
    def visited(self) -> set[str]:
        """Circuits whose feed a crew was at and left open: it found the place."""
        repairs = self.register.known.repairs
        feed = repairs[(repairs["light_id"] == "") & ~repairs["named"]]
        left = feed["action"].isin(UNANSWERED) | (feed["made_safe"] == "yes")
        last = feed.groupby([feed["circuit_id"], left])["happened"].max().unstack()
        last = last.reindex(columns=[False, True])
        return set(last.index[last[True] > last[False].fillna(-np.inf)]) - {""}


@contextmanager
def stored(parameters: Parameters, seed: int) -> Iterator[tuple[Store, Truth]]:
    """Simulate a city, write it, load it; give its store and its truth."""
    with tempfile.TemporaryDirectory(prefix="lightwatch-triage-") as folder:
        city = simulate(parameters, seed)
        city.write(Path(folder) / "package")
        store = open_store(f"sqlite:///{folder}/city.db", create=True)
        package = Package.open(Path(folder) / "package")
        load(store, package, now=package.created, said_by="study")
        try:
            yield store, city.truth
        finally:
            store.engine.dispose()


def judged_at(store: Store, when: datetime) -> Triage:
    """Judge what was known at a local time."""
    clock = Known(store, 0).clock
    return Triage.of(lives(Register(Known(store, clock.instant(when.isoformat())))))


def mornings(parameters: Parameters, seed: int, count: int) -> Iterator[Morning]:
    """Judge a city as of several mornings, the last two months before its export."""
    with stored(parameters, seed) as (store, truth):
        for number in range(1, count + 1):
            began = time.perf_counter()
            day = parameters.created.date() - timedelta(days=APART_DAYS * number)
            when = datetime.combine(day, clock_time(HOUR))
            triage = judged_at(store, when)
            judged, told = triage.judged(DARKNESS), triage.troubles
            out = frozenset(told.loc[told["symptom"].isin(DARK), "light_id"])
            took = time.perf_counter() - began
            yield Morning(
                seed,
                number,
                triage.register,
                out,
                judged,
                truth.troubles.open_at(when),
                truth.troubles.mended_off_record_at(when),
                took,
            )
