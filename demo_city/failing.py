"""Failures, repairs and renewals: every component's lives, one generation at a time.

A trouble is one row: what failed, how it looks, when it was noticed and mended, and
whether a part that had not failed was changed first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from demo_city.days import YEAR_DAYS, Columns, Floats, Ints, Texts
from demo_city.feeds import CIRCUIT, SECTION, SECTION_KINDS
from demo_city.fitting import Stints
from demo_city.hazards import Hazards, draw_symptoms, hazards_of
from demo_city.visits import mend
from demo_city.world import World

ORDER = (
    "wiring",
    "ballast",
    "ignitor",
    "led_module",
    "lamp",
    "driver",
    "photocontrol",
    "fuse",
)
"""Kinds in the order of their simulation: a part comes after those it is changed for
by mistake."""

Replacement = Callable[[Ints, Floats], Ints]


@dataclass(frozen=True)
class Lived:
    """What came of a set of stints.

    Parameters
    ----------
    troubles
        One row per failure.
    watched
        One row per life of a unit: kind, type, units (kilometres for sections),
        days in place, whether it ended by a failure that was mended.
    """

    troubles: pd.DataFrame
    watched: pd.DataFrame


def _types(world: World, kind: str, stints: Stints, place: Ints, model: Ints) -> Texts:
    """Return the types of components, or the kinds of sections."""
    if stints.level == SECTION:
        kinds = np.array(SECTION_KINDS, dtype=object)
        return np.asarray(kinds[world.feeds.kind[stints.holder[place]]])
    if kind == "wiring":
        return np.full(model.size, "unknown", dtype=object)
    return np.asarray(world.catalogue.types[model])


def _generation(
    world: World,
    kind: str,
    stints: Stints,
    failed: Columns,
    rng: np.random.Generator,
) -> Columns:
    """Complete the troubles of one generation: what shows, who notices, who mends."""
    place = failed["place"]
    holder = stints.holder[place]
    level = np.full(holder.size, stints.level)
    shown = {CIRCUIT: "group", SECTION: "feed"}.get(stints.level, kind)
    symptom = draw_symptoms(shown, failed["type"], rng)
    story = mend(world, kind, level, holder, failed["failed_at"], symptom, rng)
    stop = stints.stop[place]
    return {
        "level": level,
        "holder": holder,
        "symptom": symptom,
        "stop": stop,
        **failed,
        **story,
    }


def run(
    world: World,
    kind: str,
    cause: str,
    stints: Stints,
    hazards: Callable[[Ints, Floats, Ints], Hazards],
    replace: Replacement | None,
    rng: np.random.Generator,
) -> Lived:
    """Live through stints: fail, be mended, and so on until the stint ends.

    Parameters
    ----------
    world
        The city.
    kind, cause
        Kind of component, and the cause that crews write.
    stints
        Where and when it hangs.
    hazards
        Hazards for places in the stints, births and models.
    replace
        Models fitted instead of failed ones at given times; None: mended in place,
        and age goes on.
    rng
        Random numbers.
    """
    end = world.calendar.end
    live = np.flatnonzero(stints.start < end)
    birth, since, model = stints.birth[live], stints.start[live], stints.model[live]
    parts: list[Columns] = []
    watched: list[tuple[NDArray[Any], ...]] = []
    while live.size:
        stop = np.minimum(stints.stop[live], end)
        type_ = _types(world, kind, stints, live, model)
        hazard = hazards(live, birth, model)
        at = hazard.failure(birth, since, stop, world.calendar, rng)
        now = np.flatnonzero(at < stop)
        columns = (live, type_, birth, model, at)
        names = ("place", "type", "birth", "model", "failed_at")
        failed = {n: c[now] for n, c in zip(names, columns, strict=True)}
        done = _generation(world, kind, stints, failed, rng)
        mended, old = done["repaired_at"], done["model"]
        done["fitted"] = replace(old, mended) if replace else old
        parts.append(done)
        until = stop.copy()
        until[now] = np.minimum(mended, stop[now])
        more = mended < stop[now]
        watched.append((live, type_, until - since, until < stop))
        live, since = live[now][more], mended[more]
        birth = since if replace else birth[now][more]
        model = done["fitted"][more]
    return Lived(_joined(parts, kind, cause), _watched(world, kind, stints, watched))


def _joined(parts: list[Columns], kind: str, cause: str) -> pd.DataFrame:
    names = [name for name in (parts[0] if parts else {}) if name != "place"]
    frame = pd.DataFrame(
        {name: np.concatenate([part[name] for part in parts]) for name in names}
    )
    frame["kind"], frame["cause"], frame["staged"] = kind, cause, False
    return frame


def _watched(
    world: World,
    kind: str,
    stints: Stints,
    parts: list[tuple[NDArray[Any], ...]],
) -> pd.DataFrame:
    names = ("place", "type", "days", "failed")
    of = {
        name: np.concatenate([part[i] for part in parts] or [np.zeros(0)])
        for i, name in enumerate(names)
    }
    holder = stints.holder[of.pop("place").astype(np.int64)]
    km = stints.level == SECTION
    units = world.feeds.length_m[holder] / 1000 if km else np.ones(holder.size)
    return pd.DataFrame({"kind": kind, "units": units, **of})


def replacement(world: World, kind: str, rng: np.random.Generator) -> Replacement:
    """Return how the store answers when a component of a kind has failed."""
    catalogue = world.catalogue
    if kind == "photocontrol":
        return lambda model, at: catalogue.photocontrols(at / YEAR_DAYS, rng)

    def same_type(model: Ints, at: Floats) -> Ints:
        fitted = model.copy()
        types = catalogue.types[model]
        for type_ in dict.fromkeys(types):
            here = np.flatnonzero(types == type_)
            fitted[here] = catalogue.choose(kind, str(type_), here.size, rng)
        return fitted

    return same_type


def lives_of(
    world: World, kind: str, stints: Stints, rng: np.random.Generator
) -> Lived:
    """Return all troubles of one kind of component."""

    def hazards(place: Ints, birth: Floats, model: Ints) -> Hazards:
        station = world.station_of(stints.level, stints.holder[place])
        return hazards_of(world, kind, model, birth, station)

    replace = None if kind == "wiring" else replacement(world, kind, rng)
    return run(world, kind, kind, stints, hazards, replace, rng)
