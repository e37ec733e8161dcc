"""Lights put on a neighbour's circuit: how many of them does their history name?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from demo_city import Parameters, simulate
from lightwatch.decisions.triage.misdrawn import Misdrawn, history
from lightwatch.decisions.triage.signs import Signs
from tests.recovery.triage_mornings import judged_at
from tests.recovery.unrecorded_study import loaded
from tests.recovery.unrecorded_study import misdrawn as spoilt

SHARE = 0.05
YEARS, FAULTS_PER_YEAR = 8, 0.3
"""Faults enough that a light sees several of its own feed and of those beside it."""


@dataclass(frozen=True)
class Contradicted:
    """What came of one city.

    Parameters
    ----------
    wrong
        Lights on a wrong circuit.
    twice
        Those whose history goes against it twice or more.
    twice_named
        Of these, the ones named with their true circuit.
    named, right
        Lights named, and named rightly.
    """

    wrong: int
    twice: int
    twice_named: int
    named: int
    right: int


def contradicted(seed: int, lights: int) -> Contradicted:
    """Spoil the circuits of a city and look for them."""
    made = replace(Parameters(lights=lights, years=YEARS))
    made = replace(made, supply_faults_per_year=FAULTS_PER_YEAR)
    city = simulate(made, seed)
    rng = np.random.default_rng([seed, 7])
    tables, was = spoilt(city.tables, rng, SHARE)
    with loaded(replace(city, tables=tables)) as store:
        triage = judged_at(store, made.created.replace(tzinfo=None))
        named: dict[str, Misdrawn] = {one.light_id: one for one in triage.misdrawn}
        against = history(Signs.of(triage.register), triage.known)
    against = against[against["circuit_id"] == against["light_id"].map(was)]
    count = against.set_index("light_id")[["dark_with", "lit_without"]].sum(axis=1)
    twice = set(count.index[count >= 2])
    right = {light for light, one in named.items() if was.get(light) == one.probably_on}
    return Contradicted(
        len(was), len(twice), len(twice & right), len(named), len(right)
    )
