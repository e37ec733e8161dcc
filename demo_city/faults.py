"""Faults of the feeds: buried cables and overhead lines, by the kilometre."""

from __future__ import annotations

import numpy as np
import pandas as pd

from demo_city.days import YEAR_DAYS, Floats, Ints
from demo_city.failing import Lived, run
from demo_city.feeds import DIRECT, OVERHEAD, SECTION, SECTION_KINDS
from demo_city.fitting import Stints
from demo_city.hazards import Hazards
from demo_city.world import World


def feed_lives(world: World, section_kind: int, rng: np.random.Generator) -> Lived:
    """Return all faults of our sections of one kind; a mended one keeps its age."""
    feeds = world.feeds
    kind, cause = (
        ("line", "line_fault") if section_kind == OVERHEAD else ("cable", "cable_fault")
    )
    life = world.parameters.life(kind, SECTION_KINDS[section_kind])
    ours = (feeds.kind == section_kind) & (feeds.owner[feeds.circuit] == "")
    section = np.flatnonzero(ours)
    size = section.size
    born = -feeds.laid_years[section] * YEAR_DAYS
    always = (np.zeros(size), np.full(size, np.inf))
    stints = Stints(SECTION, section, *always, born, np.full(size, -1))
    ratio = world.climate.multiplier(life.freeze_thaw, life.wet)
    km = feeds.length_m[section] / 1000
    scale = life.scale_years * YEAR_DAYS / km ** (1 / life.shape)
    shape = np.full(size, life.shape)

    def hazards(place: Ints, birth: Floats, model: Ints) -> Hazards:
        station = world.station[section[place]]
        first = world.climate.first_month
        return Hazards(shape[place], scale[place], ratio, station, first)

    lived = run(world, kind, cause, stints, hazards, None, rng)
    if section_kind != DIRECT:
        return lived
    staged = staged_faults(world, kind, cause, world.calendar.end, rng)
    troubles = pd.concat([lived.troubles, staged], ignore_index=True)
    return Lived(troubles, lived.watched)


def staged_faults(
    world: World, kind: str, cause: str, end: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Fault a few buried cables in the last week, reported and not yet mended."""
    feeds, count = world.feeds, world.parameters.staged_cable_faults
    dark = feeds.counts[SECTION]
    fit = (feeds.kind == DIRECT) & (feeds.owner[feeds.circuit] == "") & (dark >= 5)
    fit &= (dark <= 12) & (feeds.upstream >= 0)
    section = np.flatnonzero(fit)
    _, one = np.unique(feeds.circuit[section], return_index=True)
    holder = rng.permutation(section[one])[:count]
    size = holder.size
    failed = end - rng.uniform(6.2, 7.2, size)
    told = world.calendar.evening(failed, rng)
    nothing = np.full(size, np.nan)
    return pd.DataFrame(
        {
            "level": np.full(size, SECTION),
            "holder": holder,
            "failed_at": failed,
            "symptom": np.zeros(size, dtype=np.int64),
            "birth": -feeds.laid_years[holder] * YEAR_DAYS,
            "model": np.full(size, -1),
            "fitted": np.full(size, -1),
            "stop": np.full(size, np.inf),
            "reported_at": told,
            "seen_at": np.full(size, np.inf),
            "seen_light": np.full(size, -1),
            "seen_by": np.zeros(size, dtype=np.int64),
            "seen_round": np.zeros(size, dtype=np.int64),
            "noticed_at": told,
            "wrong_at": nothing,
            "again_at": nothing,
            "repaired_at": np.floor(end) + 6.4 + rng.uniform(0, 9, size),
            "kind": kind,
            "cause": cause,
            "staged": True,
        }
    )
