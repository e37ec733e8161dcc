"""What befalls lights without wearing out.

Knocks, vandals, thieves, other people's supply, storms; and the troubles of lights
that somebody else looks after.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from demo_city.days import YEAR_DAYS, Floats, Ints
from demo_city.feeds import CIRCUIT, LIGHT, OVERHEAD, SECTION
from demo_city.fitting import HID_KINDS, LED_KINDS, Cuts
from demo_city.hazards import draw_symptoms
from demo_city.noticing import OUT
from demo_city.visits import mend
from demo_city.weather import storm_days
from demo_city.world import World, fitted_to, is_led

OWNER_MENDS_DAYS = 45.0
SUPPLY_DAYS = 2.0
STORM_REACH_M = 350.0


def _events(
    rate_per_year: NDArray[Any], end: float, rng: np.random.Generator
) -> tuple[Ints, Floats]:
    """Draw Poisson events for holders: return holders and times [days]."""
    count = rng.poisson(rate_per_year * end / YEAR_DAYS)
    holder = np.repeat(np.arange(count.size), count)
    return holder, rng.uniform(0, end, holder.size)


def _troubles(
    world: World,
    kind: str,
    level: int,
    holder: Ints,
    at: Floats,
    stop: Floats,
    rng: np.random.Generator,
) -> pd.DataFrame:
    levels = np.full(holder.size, level)
    look = "knockdown" if kind == "knockdown" else "feed"
    symptom = draw_symptoms(look, np.full(holder.size, "", dtype=object), rng)
    story = mend(world, kind, levels, holder, at, symptom, rng)
    none = np.full(holder.size, -1)
    return pd.DataFrame(
        {
            "level": levels,
            "holder": holder,
            "failed_at": at,
            "symptom": symptom,
            "birth": np.full(holder.size, np.nan),
            "model": none,
            "fitted": none,
            "stop": stop,
            **story,
            "kind": kind,
            "cause": kind,
            "staged": False,
        }
    )


def damage(world: World, kind: str, rng: np.random.Generator) -> pd.DataFrame:
    """Knock down or vandalise lights of ours, away from their conversion."""
    fleet, parameters = world.fleet, world.parameters
    rate = (
        parameters.knockdowns_per_year
        if kind == "knockdown"
        else parameters.vandalism_per_year
    )
    light, at = _events(rate * fleet.ours, world.calendar.end, rng)
    standing = (at > fleet.start[light]) & (at < fleet.stop[light])
    calm = np.abs(fleet.converted_at[light] - at - 60) > 75
    calm &= np.abs(fleet.relit_at[light] - at - 60) > 75
    light, at = light[standing & calm], at[standing & calm]
    frame = _troubles(world, kind, LIGHT, light, at, fleet.stop[light], rng)
    later = frame.sort_values("failed_at").duplicated("holder")
    return frame[~later.sort_index()].reset_index(drop=True)


def damage_cuts(
    world: World, knocks: pd.DataFrame, vandals: pd.DataFrame, rng: np.random.Generator
) -> dict[str, Cuts]:
    """Return, per kind, the parts that knocks and vandals took, and their new ones."""
    cuts = {}
    for kind in (*HID_KINDS, *LED_KINDS, "photocontrol", "fuse"):
        parts = [knocks, vandals] if kind in ("lamp", "led_module") else [knocks]
        frame = pd.concat(parts, ignore_index=True)
        light = frame["holder"].to_numpy()
        off, on = frame["failed_at"].to_numpy(), frame["repaired_at"].to_numpy()
        has = np.ones(light.size, dtype=bool)
        if kind in HID_KINDS or kind in LED_KINDS:
            has = is_led(world, light, on) == (kind in LED_KINDS)
        if kind == "photocontrol":
            has = world.fleet.own_control[light]
        has &= on < world.fleet.stop[light]
        light, off, on = light[has], off[has], on[has]
        cuts[kind] = Cuts(light, off, on, fitted_to(world, kind, light, on, rng))
    return cuts


def thefts(world: World, rng: np.random.Generator) -> pd.DataFrame:
    """Steal cable from underground sections of ours."""
    feeds = world.feeds
    open_to = (feeds.kind != OVERHEAD) & (feeds.owner[feeds.circuit] == "")
    rate = world.parameters.thefts_per_km_year * feeds.length_m / 1000 * open_to
    section, at = _events(rate, world.calendar.end, rng)
    never = np.full(section.size, np.inf)
    return _troubles(world, "theft", SECTION, section, at, never, rng)


def supply_faults(world: World, rng: np.random.Generator) -> pd.DataFrame:
    """Fail the other utility's supply of single circuits, and of many in storms."""
    feeds, end = world.feeds, world.calendar.end
    rate = np.full(feeds.group.size, world.parameters.supply_faults_per_year)
    circuit, at = _events(rate, end, rng)
    circuits, times = [circuit], [at]
    for day in storm_days(world.climate.daily, world.parameters.storms):
        eye = int(rng.integers(feeds.group.size))
        away = np.hypot(
            feeds.source_x - feeds.source_x[eye], feeds.source_y - feeds.source_y[eye]
        )
        hit = np.flatnonzero(away < STORM_REACH_M * rng.uniform(0.7, 1.6))
        circuits.append(hit)
        times.append(np.full(hit.size, day + rng.uniform(0.2, 0.9)))
    circuit, at = np.concatenate(circuits), np.concatenate(times)
    never = np.full(circuit.size, np.inf)
    frame = _troubles(world, "supply", CIRCUIT, circuit, at, never, rng)
    noticed = frame["noticed_at"].to_numpy()
    wait = 0.8 + rng.exponential(SUPPLY_DAYS, circuit.size)
    frame["repaired_at"] = world.calendar.working(noticed + wait + 1, rng)
    return frame


def neighbours_troubles(world: World, rng: np.random.Generator) -> pd.DataFrame:
    """Fail lights that others look after; they mend them and tell nobody."""
    theirs = ~world.fleet.ours
    light, at = _events(0.15 * theirs, world.calendar.end, rng)
    never = np.full(light.size, np.inf)
    frame = _troubles(world, "customer", LIGHT, light, at, never, rng)
    frame["symptom"] = OUT
    wait = rng.gamma(2.0, OWNER_MENDS_DAYS / 2, light.size)
    frame["repaired_at"] = frame["noticed_at"] + 3 + wait
    return frame
