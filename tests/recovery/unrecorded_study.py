"""Triage where circuits are not on record, or wrongly: cities with spoilt records.

A city is simulated once and loaded several times: as it is; with no circuit on record;
with half of the circuits, or half of the lights' circuits, left out; and with some
lights on the circuit of a neighbour. Work on a feed that is not on record is logged at
the lights that were told of. Every variant is scored by the true circuits: a circuit is
said to be faulted if it is likelier than not that one of its lights known to be out is
dark together with another.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from datetime import time as clock_time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.spatial import KDTree

from demo_city import Parameters, Truth, simulate
from demo_city.writing import City
from lightwatch.decisions.triage import CircuitJudged
from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.grid import metres
from lightwatch.observations.intake import load
from lightwatch.observations.package import Package
from lightwatch.store import Store, open_store
from lightwatch.words import DARK
from tests.recovery.triage_mornings import APART_DAYS, HOUR, judged_at

LIKELY = 0.5
TOLD_DAYS = 60
VARIANTS = ("as it is", "none", "half the circuits", "half the lights", "5 % wrong")

Tables = dict[str, pd.DataFrame]


def _fed(tables: Tables) -> dict[str, set[str]]:
    """Return the lights that each section, and each circuit, feeds."""
    lights, sections = tables["lights"], tables["sections"]
    above = dict(
        zip(sections["section_id"], sections["upstream_section_id"], strict=True)
    )
    found: dict[str, set[str]] = {}
    for light, circuit, section in zip(
        lights["light_id"], lights["circuit_id"], lights["section_id"], strict=True
    ):
        found.setdefault(circuit, set()).add(light)
        while section:
            found.setdefault(section, set()).add(light)
            section = above.get(section, "")
    return found


def _logged_at_lights(repairs: pd.DataFrame, tables: Tables) -> pd.DataFrame:
    """Log work on feeds at the lights that were told of before it."""
    fed = _fed(tables)
    told = tables["reports"][["light_id", "received_at"]].set_axis(
        ["light", "at"], axis=1
    )
    seen = tables["sightings"][["light_id", "seen_at"]].set_axis(
        ["light", "at"], axis=1
    )
    told = pd.concat([told, seen])
    when = {light: sorted(some["at"].str[:10]) for light, some in told.groupby("light")}
    rows = []
    for row in repairs.to_dict("records"):
        beyond = fed.get(row["section_id"] or row["circuit_id"], set())
        day = row["performed_at"][:10]
        first = (pd.Timestamp(day) - timedelta(days=TOLD_DAYS)).date().isoformat()
        some = [
            light
            for light in sorted(beyond)
            if any(first <= at <= day for at in when.get(light, ()))
        ]
        for i, light in enumerate(some or sorted(beyond)[:1]):
            rows.append(
                {**row, "light_id": light, "repair_id": f"{row['repair_id']}-{i}"}
            )
    return pd.DataFrame(rows, columns=repairs.columns)


def without(tables: Tables, circuits: set[str], lights: set[str]) -> Tables:
    """Leave out circuits, and the circuits of some more lights."""
    found = dict(tables)
    light = tables["lights"].copy()
    blank = light["circuit_id"].isin(circuits) | light["light_id"].isin(lights)
    light.loc[blank, ["circuit_id", "section_id"]] = ""
    found["lights"] = light
    for name in ("circuits", "sections", "components"):
        found[name] = tables[name][~tables[name]["circuit_id"].isin(circuits)]
    repairs = tables["repairs"].copy()
    gone = repairs["circuit_id"].isin(circuits)
    gone |= repairs["section_id"].isin(
        set(
            tables["sections"].loc[
                tables["sections"]["circuit_id"].isin(circuits), "section_id"
            ]
        )
    )
    feed = gone & (repairs["light_id"] == "")
    logged = _logged_at_lights(repairs[feed], tables)
    rest = repairs[~feed].copy()
    unnamed = gone[~feed] | rest["light_id"].isin(set(light.loc[blank, "light_id"]))
    if lights:
        beside = _logged_at_lights(repairs[(repairs["light_id"] == "") & ~feed], tables)
        logged = pd.concat([logged, beside[beside["light_id"].isin(lights)]])
    rest.loc[unnamed, ["circuit_id", "section_id"]] = ""
    logged[["circuit_id", "section_id"]] = ""
    found["repairs"] = pd.concat([rest, logged]).sort_values(
        "recorded_at", kind="stable"
    )
    return found


def misdrawn(
    tables: Tables, rng: np.random.Generator, share: float
) -> tuple[Tables, dict[str, str]]:
    """Put a share of the lights on the circuit of the nearest light of another.

    Returns
    -------
    tuple
        The tables, and for each such light its true circuit.
    """
    light = tables["lights"].reset_index(drop=True)
    place, circuit = metres(light), light["circuit_id"].to_numpy(object)
    _, near = KDTree(place).query(place, 40)
    wrong = light.copy()
    was: dict[str, str] = {}
    for i in rng.permutation(len(light))[: round(share * len(light))]:
        others = [j for j in near[i] if circuit[j] != circuit[i] and circuit[j]]
        if others and circuit[i]:
            was[light.at[i, "light_id"]] = circuit[i]
            for column in ("circuit_id", "section_id"):
                wrong.at[i, column] = light.at[others[0], column]
    return {**tables, "lights": wrong}, was


def variant(city: City, name: str, seed: int) -> City:
    """Return the city with its records as a variant has them."""
    tables, rng = city.tables, np.random.default_rng([seed, 7])
    circuits = tables["circuits"]["circuit_id"].to_numpy(object)
    lights = tables["lights"]["light_id"].to_numpy(object)
    if name == "none":
        tables = without(tables, set(circuits), set())
    elif name == "half the circuits":
        tables = without(tables, set(circuits[rng.random(len(circuits)) < 0.5]), set())
    elif name == "half the lights":
        tables = without(tables, set(), set(lights[rng.random(len(lights)) < 0.5]))
    elif name == "5 % wrong":
        tables, _ = misdrawn(tables, rng, 0.05)
    return replace(city, tables=tables)


@contextmanager
def loaded(city: City) -> Iterator[Store]:
    """Write a city and load it."""
    with tempfile.TemporaryDirectory(prefix="lightwatch-unrecorded-") as folder:
        city.write(Path(folder) / "package")
        store = open_store(f"sqlite:///{folder}/city.db", create=True)
        package = Package.open(Path(folder) / "package")
        load(store, package, now=package.created, said_by="study")
        try:
            yield store
        finally:
            store.engine.dispose()


@dataclass(frozen=True)
class Morning:
    """What was true on a morning.

    Parameters
    ----------
    circuit
        Lights in service to their circuit.
    faults
        Open faults of feeds, each the lights that it keeps dark; two or more.
    mended
        Circuits whose fault was mended though no record says so.
    """

    circuit: dict[str, str]
    faults: tuple[frozenset[str], ...]
    mended: frozenset[str]


def truth_at(truth: Truth, tables: Tables, when: datetime) -> Morning:
    """Return what was true on a morning."""
    lights = tables["lights"]
    lights = lights[
        (lights["removed_on"] == "") | (lights["removed_on"] > f"{when:%F}")
    ]
    circuit = dict(zip(lights["light_id"], lights["circuit_id"], strict=True))

    def shared(some: pd.DataFrame) -> pd.DataFrame:
        some = some[some["level"].isin(["section", "circuit"])]
        some = some[some["symptom"].isin(DARK)]
        dark = [frozenset(ids) & set(circuit) for ids in some["dark_light_ids"]]
        return some.assign(dark=dark)[np.array([len(one) > 1 for one in dark], bool)]

    mended = shared(truth.troubles.mended_off_record_at(when))
    faults = tuple(shared(truth.troubles.open_at(when))["dark"])
    return Morning(circuit, faults, frozenset(mended["circuit_id"]))


def scored(
    true: Morning, judged: list[CircuitJudged], out: set[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Score a morning: circuits, and groups of lights said to share a fault."""
    chance = {light: one.shared for one in judged for light in one.light_ids}
    dark = {light for fault in true.faults for light in fault}
    known: dict[str, set[str]] = {}
    for light in out & set(true.circuit):
        known.setdefault(true.circuit[light], set()).add(light)
    positive = {true.circuit[light] for light in dark}
    detectable = {
        true.circuit[next(iter(fault))] for fault in true.faults if len(fault & out) > 1
    }
    rows = [
        {
            "circuit": name,
            "known": len(known.get(name, ())),
            "judged": name in known,
            "chance": max(
                (chance.get(one, 0.0) for one in known.get(name, ())), default=0
            ),
            "positive": name in positive,
            "detectable": name in detectable,
        }
        for name in sorted({*known, *positive})
        if name not in true.mended or name in positive
    ]
    groups = []
    for one in judged:
        said = {
            light
            for light, share in zip(one.light_ids, one.dark, strict=True)
            if share > LIKELY
        }
        if one.shared > LIKELY and len(said) > 1:
            best = max((len(said & fault) for fault in true.faults), default=0)
            groups.append(
                {
                    "inferred": not one.circuit_id,
                    "right": best > 1,
                    "said": len(said),
                    "share": best / len(said),
                    "mended": any(true.circuit.get(x) in true.mended for x in said),
                }
            )
    return pd.DataFrame(rows), pd.DataFrame(groups)


def of_city(
    seed: int, parameters: Parameters, count: int, variants: Iterable[str] = VARIANTS
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Score a city in each variant on several mornings."""
    city = simulate(parameters, seed)
    circuits, groups = [], []
    for name in variants:
        with loaded(variant(city, name, seed)) as store:
            for number in range(1, count + 1):
                day = parameters.created.date() - timedelta(days=APART_DAYS * number)
                when = datetime.combine(day, clock_time(HOUR))
                triage = judged_at(store, when)
                told = triage.troubles
                out = set(told.loc[told["symptom"].isin(DARK), "light_id"])
                true = truth_at(city.truth, city.tables, when)
                found = scored(true, triage.judged(DARKNESS), out)
                for part, into in zip(found, (circuits, groups), strict=True):
                    into.append(part.assign(seed=seed, morning=number, variant=name))
    return pd.concat(circuits), pd.concat(groups)
