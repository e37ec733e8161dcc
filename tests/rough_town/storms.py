"""Outages of another utility's supply: many circuits of a compact area, for hours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.rough_town.parts import KIND, Parts
from tests.rough_town.rules import Roughness
from tests.rough_town.streets import Floats, Ints, Streets

BREAKS = ("lamp", "driver", "fuse", "photocontrol")
"""Parts of a light that a storm breaks."""

FEED_BREAKS = 0.3
"""Chance that a section of the area breaks too."""

SPARED = 0.15
"""Share of circuits of the area that stay lit."""


@dataclass(frozen=True)
class Storms:
    """Storms of a town; ``table``: start, end and whether a restoration is written."""

    table: pd.DataFrame
    lights: tuple[Ints, ...]
    circuits: tuple[Ints, ...]
    forced: pd.DataFrame
    """Units that are broken for good: ``day`` and ``unit``."""


def storms(
    streets: Streets,
    parts: Parts,
    rough: Roughness,
    rng: np.random.Generator,
    days: int,
) -> Storms:
    """Draw storms; none where the preset has none."""
    number = rng.poisson(rough.storms_a_year * days / 365.25)
    start = np.sort(rng.uniform(20, days - 40, number))
    hours = np.exp(rng.uniform(np.log(6), np.log(48), number))
    written = rng.random(number) >= rough.unwritten
    lights, circuits = [], []
    forced: list[tuple[float, int]] = []
    for day in start:
        taken = _area(streets, rng)
        circuits.append(taken)
        lights.append(np.flatnonzero(np.isin(streets.circuit, taken)))
        forced += _damage(parts, lights[-1], rough.damage, rng, float(day))
    table = pd.DataFrame(
        {"start": start, "end": start + hours / 24, "written": written}
    )
    broken = pd.DataFrame(forced, columns=["day", "unit"])
    return Storms(table, tuple(lights), tuple(circuits), broken.astype({"day": float}))


def _area(streets: Streets, rng: np.random.Generator) -> Ints:
    """Return the circuits without supply: those whose source lies in a circle."""
    source = np.flatnonzero(streets.up < 0)
    circuit = streets.circuit[source]
    x, y = streets.x[source], streets.y[source]
    middle = rng.integers(0, len(source))
    far = np.hypot(x - x[middle], y - y[middle])
    radius = np.exp(rng.uniform(np.log(350), np.log(1100)))
    inside = np.flatnonzero(far <= max(radius, np.sort(far)[2]))
    kept = inside[rng.random(len(inside)) >= SPARED]
    nearest = np.argsort(far)[:2]
    found: Ints = np.unique(circuit[np.union1d(kept, nearest)])
    return found


def _damage(
    parts: Parts, lights: Ints, chance: float, rng: np.random.Generator, day: float
) -> list[tuple[float, int]]:
    here = np.isin(parts.light, lights)
    own = np.flatnonzero(here & np.isin(KIND[parts.law], BREAKS))
    broken = own[rng.random(len(own)) < chance / len(BREAKS)].tolist()
    if rng.random() < FEED_BREAKS:
        laid = np.flatnonzero(here & np.isin(KIND[parts.law], ("cable", "line")))
        broken.append(int(rng.choice(laid)))
    return [(day + 0.01, unit) for unit in broken]


def storm_rates(nightly: Floats) -> Floats:
    """Return calls a day of each light of an area: many at first, few a light."""
    rates: Floats = nightly * 14.0 * (len(nightly) / 30.0) ** -0.35
    return rates
