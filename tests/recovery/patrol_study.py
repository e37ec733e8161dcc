"""Simulated nights: what a planned patrol would have found, and what it expected.

In invented cities whose truth is known a patrol is planned on a past night from what
was recorded by noon, and driven through the truth: every light out on a street looked
at that nobody had reported is noted with the true chance of being noted. The rotation
that looks at the oldest streets first is driven the same night, with the same dice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from demo_city import Parameters, simulate
from demo_city.noticing import GROUP_OUT, OUT
from demo_city.simulating import Records, live
from demo_city.tables import ids
from lightwatch.decisions.patrol import Order, plan_patrol
from lightwatch.decisions.patrol.duties import last_seen
from lightwatch.decisions.patrol.looking import parts_of_lights, streets
from lightwatch.decisions.patrol.network import network
from lightwatch.decisions.patrol.problem import problem_of
from lightwatch.decisions.triage import outages
from lightwatch.lives import lives
from lightwatch.nights import DAY
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known
from lightwatch.observations.package import Package
from lightwatch.register import Register
from lightwatch.store import Store, open_store
from lightwatch.words import DARK
from tests.bench.patrol_rules import rotation

LIGHTS = 1500
HOURS = 1.0


@dataclass(frozen=True)
class Night:
    """One night: lights expected, found, and found by the rotation."""

    city: int
    night: date
    expected: float
    found: int
    rotation: int


def dark_lights(records: Records, at_day: float) -> set[int]:
    """Return the lights that are out at a time [days since opening]."""
    troubles = records.troubles
    at = (troubles["failed_at"] < at_day) & (troubles["ended_at"] > at_day)
    some = troubles[at & troubles["symptom"].isin([OUT, GROUP_OUT])]
    _, light = records.world.feeds.dark(
        some["level"].to_numpy(), some["holder"].to_numpy()
    )
    return set(light.tolist())


def by_turn(register: Register, order: Order) -> set[str]:
    """Return the lights that a rotation looks at: the streets seen longest ago.

    They are driven on the same network in the same time, the nearest of them first.
    """
    net, lights = network(register.known.roads), register.standing
    depot = register.known.place["depot"]
    home, _ = net.nearest((depot["longitude"], depot["latitude"]))
    part = parts_of_lights(net, lights)
    nothing = pd.DataFrame({"found": 0.0, "worth": 1.0}, index=part.index)
    duty = pd.Series(0, index=part.index)
    made = streets(net, lights, part, nothing, order, duty)
    seen = last_seen(register).loc[made.lights.index]
    oldest = seen.groupby(made.lights.to_numpy()).mean().to_numpy()
    problem, _, _ = problem_of(net, made.tasks, home, order.hours * 3600, order.crews)
    routes = rotation(problem, -oldest)
    driven = {int(problem.task[heading]) for route in routes for heading in route}
    return set(made.lights.index[made.lights.isin(driven)])


def one_night(
    store: Store,
    records: Records,
    names: list[str],
    night: date,
    seed: int,
    hours: float,
) -> Night:
    """Plan one night and drive it."""
    clock = Known(store, 2**62).clock
    noon = clock.instant(f"{night.isoformat()}T12:00")
    known = Known(store, noon)
    register = Register(known)
    lived = lives(register)
    found = outages(lived)
    order = Order(night, hours=hours)
    plan = plan_patrol(lived, order, found, seconds=0)
    opened = records.world.calendar.origin.astype("datetime64[us]").astype(date)
    at_day = (night - opened.date()).days + 22 / 24
    told = {x for one in found if one.symptom in DARK for x in one.reported}
    out = {names[i] for i in dark_lights(records, at_day)} - told
    rng = np.random.default_rng([seed, night.toordinal()])
    dice = dict(zip(sorted(out), rng.random(len(out)), strict=True))
    hit = records.world.parameters.night_hits[OUT]
    noted = {light for light, one in dice.items() if one < hit}
    looked = {x for crew in plan.crews for leg in crew.legs for x in leg.lights}
    turn = by_turn(register, order)
    return Night(seed, night, plan.found, len(noted & looked), len(noted & turn))


def study(
    seeds: Iterable[int], nights: int, lights: int = LIGHTS, hours: float = HOURS
) -> pd.DataFrame:
    """Return one row a night, of so many nights in each of the cities.

    Parameters
    ----------
    seeds
        One for each city.
    nights
        Of each.
    lights
        Of each city.
    hours
        Of the crew [h].
    """
    rows = []
    for seed in seeds:
        parameters = Parameters(lights=lights)
        with TemporaryDirectory() as folder:
            simulate(parameters, seed).write(folder)
            records = live(parameters, seed)
            names = list(ids(records).light[:-1])
            store = open_store(f"sqlite:///{folder}/city.db", create=True)
            package = Package.open(Path(folder))
            now = package.created + DAY
            load(store, package, now=now, said_by="the study")
            last = parameters.created.date() - timedelta(days=30)
            step = 4 * 365 // nights
            for i in range(nights):
                night = last - timedelta(days=i * step)
                rows.append(one_night(store, records, names, night, seed, hours))
            store.engine.dispose()
    return pd.DataFrame(rows)
