"""When which circuits first had lights reported dark, and how often they usually do.

The scan counts what was new: a light's first report in four weeks, and of each circuit
no more than two in a week. So a single cable fault, however often it is reported,
counts as little as two lone lights, and many circuits at once stand out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.nights import DAY
from lightwatch.rates.shrinkage import shrink
from lightwatch.register import Register
from lightwatch.register.nearest import nearest_lights
from lightwatch.register.register import EARTH_RADIUS_M
from lightwatch.words import DARK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STUDIED_NIGHTS = 56
USUAL_NIGHTS = 2 * 365
AGAIN_NIGHTS = 28
BURST, BURST_NIGHTS = 2, 7
"""Of each circuit so many reports count in so many nights; common sense, no source."""


@dataclass(frozen=True)
class Told:
    """New reports of dark lights by circuit, up to now.

    Parameters
    ----------
    circuit_ids
        n circuits with lights in service.
    place
        Shape (n, 2): the middle of their lights, east and north [m].
    lights
        How many lights each has.
    circuit, age
        Of each new report: position of its circuit, nights before now.
    """

    circuit_ids: tuple[str, ...]
    place: Floats
    lights: Ints
    circuit: Ints
    age: Floats

    @property
    def recent(self) -> tuple[Ints, Floats]:
        """Circuit and age of the reports of the nights studied."""
        new = self.age < STUDIED_NIGHTS
        return self.circuit[new], self.age[new]

    def usual(self) -> Floats:
        """Return the share of all new reports that each circuit usually has.

        Its own rate before the nights studied, thin ones drawn to the city's.
        """
        old = self.age >= STUDIED_NIGHTS
        counts = np.bincount(self.circuit[old], minlength=len(self.lights))
        if not counts.any():
            return np.asarray(self.lights / self.lights.sum())
        rate = shrink(counts, self.lights.astype(float), law_known=True).rate
        share = rate * self.lights
        return np.asarray(share / share.sum())

    def nightly(self) -> Floats:
        """Return new reports in the city on each night studied, oldest first."""
        _, age = self.recent
        counts = np.bincount(age.astype(int), minlength=STUDIED_NIGHTS)
        return counts[::-1].astype(float)


def _metres(lights: pd.DataFrame) -> Floats:
    place = np.radians(lights[["longitude", "latitude"]].to_numpy(float))
    middle = place.mean(axis=0)
    away = (place - middle) * EARTH_RADIUS_M
    return np.asarray(away * np.array([np.cos(middle[1]), 1.0]))


def _reports(register: Register) -> pd.DataFrame:
    """Return reports of dark lights: ``light_id``, ``age`` [nights], oldest first."""
    reports = register.known.reports
    age = (register.as_of - reports["happened"]) / DAY
    wanted = reports["symptom"].isin(DARK) & (age < USUAL_NIGHTS + AGAIN_NIGHTS)
    reports, age = reports[wanted], age[wanted]
    light, lost = reports["light_id"].copy(), reports["light_id"] == ""
    light[lost] = nearest_lights(register.standing, reports[lost])
    told = pd.DataFrame({"light_id": light, "age": age})
    return told.sort_values("age", ascending=False, kind="stable")


def told(register: Register) -> Told:
    """Return the new reports of dark lights by circuit, as known on a day."""
    lights = register.standing
    lights = lights[lights["circuit_id"] != ""]
    code, ids = pd.factorize(lights["circuit_id"], sort=True)
    size = np.bincount(code, minlength=len(ids))
    metres = _metres(lights) if len(lights) else np.zeros((0, 2))
    middle = [np.bincount(code, way, len(ids)) / size for way in metres.T]
    reports = _reports(register)
    reports = reports.assign(
        circuit=reports["light_id"].map(
            dict(zip(lights["light_id"], code, strict=True))
        )
    ).dropna()
    before = reports.groupby("light_id")["age"].shift()
    new = reports[~(before - reports["age"] <= AGAIN_NIGHTS)]
    burst = new.groupby("circuit")["age"].shift(BURST)
    kept = new[~(burst - new["age"] <= BURST_NIGHTS) & (new["age"] < USUAL_NIGHTS)]
    return Told(
        tuple(ids),
        np.column_stack(middle),
        size,
        kept["circuit"].to_numpy(int),
        kept["age"].to_numpy(float),
    )
