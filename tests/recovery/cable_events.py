"""A town on streets, with cable faults that few people called about.

2,000 lights 32 m apart on streets 110 m apart, fed from cabinets of 9 to 54 lights
along the street; four years of calls and lamps replaced; twelve lights dark on their
own; six cables faulted two or three days ago, on which two to ten people called.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from lightwatch.decisions.triage import Outage, outages
from lightwatch.decisions.triage.spoken import is_shared
from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from tests.towns import little_town, new_store, take_in

STREETS, LIGHTS, APART_M, STREETS_APART_M = 40, 50, 32.0, 110.0
DEGREE_M = 111_195.0
NOW = datetime(2020, 1, 1, 8)  # noqa: DTZ001 - local, as in the files
HISTORY, ALONE = 500, 12
PER_DAY = 0.06
"""Rate of calls about one dark light [1/day]."""

SIZES, CALLS = (9, 12, 18, 27, 36, 54), (2, 3, 4, 5, 7, 10)


@dataclass(frozen=True)
class Events:
    """The town, and what is true of it.

    Parameters
    ----------
    lights, reports, repairs
        Rows of the exchange format.
    faults
        The lights that each cable keeps dark.
    alone
        Lights dark on their own.
    """

    lights: pd.DataFrame
    reports: pd.DataFrame
    repairs: pd.DataFrame
    faults: tuple[frozenset[str], ...]
    alone: frozenset[str]


def _fed(rng: np.random.Generator) -> list[tuple[int, int, int]]:
    """Return cabinets as street, first light, one past the last."""
    found = []
    for street in range(STREETS):
        at = 0
        while at < LIGHTS:
            size = int(rng.integers(9, 55))
            end = LIGHTS if LIGHTS - at - size < 9 else at + size
            found.append((street, at, end))
            at = end
    return found


def _register(cabinets: Sequence[tuple[int, int, int]]) -> pd.DataFrame:
    east = APART_M / DEGREE_M / np.cos(np.radians(47.32))
    rows = [
        {
            "light_id": f"L{street:02d}-{i:02d}",
            "pole_id": f"P{street:02d}-{i:02d}",
            "longitude": round(15.64 + i * east, 6),
            "latitude": round(47.30 + street * STREETS_APART_M / DEGREE_M, 6),
            "road_id": f"R{street}",
            "circuit_id": f"K{number:03d}",
            "technology": "hps",
        }
        for number, (street, first, end) in enumerate(cabinets)
        for i in range(first, end)
    ]
    return pd.DataFrame(rows)


def town(seed: int) -> Events:
    """Invent the town and its calls."""
    rng = np.random.default_rng([seed, 41])
    cabinets = _fed(rng)
    lights = _register(cabinets)
    ids = lights["light_id"].to_numpy(object)
    calls: list[tuple[datetime, str, str]] = []
    repairs = []
    for i in range(HISTORY):
        told = NOW - timedelta(days=float(rng.uniform(20, 1440)))
        light, mended = str(rng.choice(ids)), told + timedelta(days=rng.uniform(2, 12))
        again = rng.poisson(PER_DAY * (mended - told) / timedelta(days=1))
        calls.append((told, light, f"H{i}"))
        calls += [(told + (mended - told) * x, light, "") for x in rng.random(again)]
        repairs.append(
            {"repair_id": f"W{i}", "performed_at": f"{mended:%FT%R}",
             "report_id": f"H{i}", "light_id": light, "cause": "lamp",
             "action": "replaced", "component": "lamp", "proven": "seen_lit"}
        )  # fmt: skip
    faults = []
    chosen = rng.permutation(len(cabinets))
    for size, many in zip(SIZES, CALLS, strict=True):
        fits = [k for k in chosen if cabinets[k][2] - cabinets[k][1] >= min(size, 40)]
        k = fits[0]
        chosen = chosen[chosen != k]
        street, first, end = cabinets[k]
        dark = [f"L{street:02d}-{i:02d}" for i in range(max(end - size, first), end)]
        faults.append(frozenset(dark))
        began = NOW - timedelta(days=float(rng.uniform(2, 3)))
        for light in rng.choice(dark, many, replace=False):
            at = began + (NOW - began) * float(rng.uniform(0.05, 0.95))
            calls.append((at, str(light), ""))
    dark = frozenset().union(*faults)
    alone = rng.choice([one for one in ids if one not in dark], ALONE, replace=False)
    for light in alone:
        calls.append((NOW - timedelta(days=float(rng.uniform(0.3, 9))), str(light), ""))
    reports = [
        {"report_id": name or f"Q{i}", "received_at": f"{at:%FT%R}",
         "light_id": light, "symptom": "out"}
        for i, (at, light, name) in enumerate(sorted(calls))
    ]  # fmt: skip
    return Events(
        lights,
        pd.DataFrame(reports),
        pd.DataFrame(repairs),
        tuple(faults),
        frozenset(map(str, alone)),
    )


def asked(events: Events, folder: Path, *, cabinets: bool) -> list[Outage]:
    """Load the town, with its cabinets or without, and ask what is open."""
    lights = events.lights if cabinets else events.lights.assign(circuit_id="")
    names = sorted(set(lights["circuit_id"]) - {""})
    fitted = pd.DataFrame({"light_id": lights["light_id"], "kind": "lamp"})
    fitted = fitted.assign(circuit_id="", model="", installed_on="2014")
    empty = {
        "sections": "section_id,circuit_id,upstream_section_id,kind,length_m\n",
        "patrols": "patrol_id,started_at,road_id,kind\n",
        "sightings": "patrol_id,light_id,state,seen_at\n",
    }
    circuits = pd.DataFrame({"circuit_id": names, "feed": "underground"})
    tables = {
        "lights": lights, "circuits": circuits, "components": fitted,
        "reports": events.reports, "repairs": events.repairs,
    }  # fmt: skip
    written = {name: one.to_csv(index=False) for name, one in tables.items()}
    store = new_store(folder)
    take_in(store, little_town(folder / "town", roads=None, **written, **empty))
    return outages(lives(Register(Known(store, default_as_of(store)))))


def found(events: Events, told: Sequence[Outage]) -> tuple[int, int]:
    """Return how many events were found, and feed faults said where none was."""
    shared = [one for one in told if is_shared(one)]
    several = [one for one in shared if len(one.lights) > 1]
    hit = sum(
        any(len(fault & set(one.reported)) > 1 for one in several)
        for fault in events.faults
    )
    dark = frozenset().union(*events.faults)
    false = sum(not dark & set(one.reported) for one in shared)
    return hit, false
