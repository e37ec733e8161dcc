"""One run of the invented city: from parameters and a seed to its records."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo_city import mending, mishaps, noticing, reporting
from demo_city.catalogue import catalogue
from demo_city.days import Calendar
from demo_city.failing import ORDER, Lived, lives_of
from demo_city.faults import feed_lives
from demo_city.feeds import SECTION_KINDS, group_lights, lay_feeds
from demo_city.fitting import Cuts, fit_out
from demo_city.geography import Positions, Streets, lit_positions, streets
from demo_city.logbook import repair_log
from demo_city.parameters import Parameters
from demo_city.visits import WRONG_PARTS, wrong_cuts
from demo_city.weather import climate
from demo_city.world import World
from lightwatch.nights import LocalTime
from lightwatch.nights.darkness import Place


@dataclass(frozen=True)
class Records:
    """Everything that happened, times in days and ids as numbers.

    Parameters
    ----------
    world, roads, lights
        The city itself.
    troubles
        One row per failure, knock, theft, supply fault and so on.
    watched
        One row per life of a unit of ours.
    told, reports
        Reports in order of time: what they are about, and as given.
    repairs
        The repair log.
    seen
        The sightings of patrols.
    """

    world: World
    roads: Streets
    lights: Positions
    troubles: pd.DataFrame
    watched: pd.DataFrame
    told: pd.DataFrame
    reports: pd.DataFrame
    repairs: pd.DataFrame
    seen: pd.DataFrame


def build(
    parameters: Parameters, rng: np.random.Generator
) -> tuple[World, Streets, Positions]:
    """Build the city as it stood when its register was opened."""
    calendar = Calendar(parameters.opened_on, parameters.created, parameters.timezone)
    roads = streets(parameters.lights, rng)
    lights = lit_positions(roads, parameters.lights, rng)
    lights, circuit = group_lights(roads, lights, parameters.circuit_lights)
    feeds = lay_feeds(parameters, roads, lights, circuit, rng)
    models = catalogue(parameters)
    zone = LocalTime(parameters.timezone)
    place = Place(parameters.longitude, parameters.latitude, zone)
    weather = climate(calendar, place, roads, rng)
    fleet = fit_out(parameters, feeds, models, calendar, rng)
    watch = noticing.watch(parameters, roads, lights, feeds, calendar, rng)
    station = weather.nearest(lights.x, lights.y)
    world = World(parameters, calendar, feeds, fleet, models, weather, station, watch)
    return world, roads, lights


@dataclass(frozen=True)
class _Life:
    """Troubles and watched lives, and what came off unfailed.

    By mistake (per kind of trouble), in mishaps (per kind of part), by programme.
    """

    troubles: pd.DataFrame
    watched: pd.DataFrame
    tried: dict[str, Cuts]
    damaged: dict[str, Cuts]
    relit: Cuts


def _live(world: World, rng: np.random.Generator) -> _Life:
    """Let everything fail, each part after those it is changed for by mistake."""
    knocks = mishaps.damage(world, "knockdown", rng)
    vandals = mishaps.damage(world, "vandalism", rng)
    damaged = mishaps.damage_cuts(world, knocks, vandals, rng)
    relit = _relit(world)
    others = [mishaps.thefts, mishaps.supply_faults, mishaps.neighbours_troubles]
    troubles = [knocks, vandals, *(befall(world, rng) for befall in others)]
    watched = []
    cuts = {kind: [cut] for kind, cut in damaged.items()}
    cuts.setdefault("photocontrol", []).append(relit)
    tried: dict[str, list[Cuts]] = {}

    def note(kind: str, lived: Lived) -> None:
        troubles.append(lived.troubles)
        watched.append(lived.watched)
        if kind in WRONG_PARTS and len(lived.troubles):
            made = wrong_cuts(world, lived.troubles, rng)
            cuts.setdefault(WRONG_PARTS[kind], []).append(made)
            tried.setdefault(kind, []).append(made)

    for number, name in enumerate(SECTION_KINDS):
        kind = "line" if name == "overhead" else "cable"
        note(kind, feed_lives(world, number, rng))
    for kind in ORDER:
        stints = world.fleet.stints(kind, Cuts.joined(cuts.get(kind, [])))
        note(kind, lives_of(world, kind, stints, rng))
    group = lives_of(world, "photocontrol", world.fleet.group_stints(), rng)
    troubles.append(group.troubles)
    watched.append(group.watched)
    joined = [part for part in troubles if len(part)]
    return _Life(
        pd.concat(joined, ignore_index=True),
        pd.concat([part for part in watched if len(part)], ignore_index=True),
        {kind: Cuts.joined(parts) for kind, parts in tried.items()},
        damaged,
        relit,
    )


def _relit(world: World) -> Cuts:
    """Return the photocontrols that the programme fits: those of the batch's model."""
    at = world.fleet.relit_at
    light = np.flatnonzero(np.isfinite(at) & (at < world.calendar.end))
    name = world.parameters.batch.model if world.parameters.batch else "TW-E2"
    model = np.full(light.size, world.catalogue.index(name))
    return Cuts(light, at[light], at[light], model)


def _finish(troubles: pd.DataFrame) -> pd.DataFrame:
    """Say when each trouble ended, and how."""
    stop, repaired = troubles["stop"], troubles["repaired_at"]
    wrong = troubles["wrong_at"]
    return troubles.assign(
        ended_at=np.minimum(stop, repaired),
        mended=repaired < stop,
        wrong_done=wrong.notna() & (wrong < stop),
    )


def live(parameters: Parameters, seed: int) -> Records:
    """Build the city and let it live until the export."""
    rng = np.random.default_rng(seed)
    world, roads, lights = build(parameters, rng)
    life = _live(world, rng)
    troubles = _finish(life.troubles)
    told = reporting.all_reports(world, troubles, rng)
    reports = reporting.written_reports(world, told, (lights.x, lights.y), rng)
    pole = world.catalogue.index("PL8")
    rows = [
        mending.mended(world, troubles),
        mending.wrong_first(world, troubles, life.tried),
        mending.damage_rows(world, troubles, life.damaged, pole),
        mending.programmes(world, life.relit),
        mending.visits_between(world, troubles, rng),
        mending.no_fault_found(world, told, rng),
    ]
    repairs = repair_log(world, rows, told, troubles, rng)
    seen = noticing.sightings(world.watch, troubles, world.calendar.end, rng)
    return Records(
        world, roads, lights, troubles, life.watched, told, reports, repairs, seen
    )
