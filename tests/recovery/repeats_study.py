"""Do bad circuits fail as they are said to? Feeds simulated with known frailties.

Each circuit has a factor of its own, from a gamma law (shape 1.5) in the odd worlds and
a lognormal one (sigma .8) in the even ones; construction, age of the ground and wetness
of the place add to it. Sections are mended, not renewed. Some years are watched, two
more are what comes. Who sees faults only can hardly rank better than ``best``: it knows
the gamma law, every rate and what each circuit had (Bayes' rule; the posterior mean
ranks best for an expected sum; in the lognormal worlds it is nearly so).
"""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.repeats.circuits import BadCircuit, bad_circuits
from lightwatch.lives import Lives
from lightwatch.lives.lives import COLUMNS
from lightwatch.nights import YEAR

Floats = NDArray[np.float64]

CIRCUITS = 400
SECTIONS = (3, 26)
"""Fewest and most sections of a circuit, as circuits of a town differ."""

AHEAD = 2.0
SHAPE = 1.5
WORST = 0.05
LAWS = {
    "underground_direct": (1.8, 20.0),
    "underground_duct": (1.5, 24.0),
    "overhead": (1.0, 12.5),
}
"""Weibull shape and scale of one kilometre [years]; invented."""

WET = 1.6
SUPPLY_PER_YEAR = 0.02


@dataclass(frozen=True)
class World:
    """One simulated network: its life data, and what is true of each circuit.

    ``watched`` and ``ahead``: faults truly expected in the years watched and in those
    that come; ``factor``: of the circuit alone; ``came``: faults that came.
    """

    lives: Lives
    watched: Floats
    ahead: Floats
    factor: Floats
    came: Floats


def _between(shape: Floats, scale: Floats, start: Floats, end: Floats) -> Floats:
    return np.asarray((end / scale) ** shape - (start / scale) ** shape)


def _frailty(seed: int, rng: np.random.Generator) -> Floats:
    if seed % 2:
        return rng.gamma(SHAPE, 1 / SHAPE, CIRCUITS)
    return np.asarray(rng.lognormal(-0.32, 0.8, CIRCUITS))


def _faults(
    shape: Floats,
    scale: Floats,
    age: Floats,
    years: float,
    factor: Floats,
    rng: np.random.Generator,
) -> tuple[NDArray[np.int64], Floats]:
    """Draw faults of sections in the years watched: which, and at what age."""
    mean = factor * _between(shape, scale, age, age + years)
    which = np.repeat(np.arange(len(mean)), rng.poisson(mean))
    low = (age / scale) ** shape
    high = ((age + years) / scale) ** shape
    at = low[which] + rng.random(len(which)) * (high - low)[which]
    return which, scale[which] * at ** (1 / shape[which])


def _register(
    kinds: NDArray[np.str_],
    wet: NDArray[np.bool_],
    repairs: pd.DataFrame,
    years: float,
) -> Any:
    names = [f"C{i:03d}" for i in range(CIRCUITS)]
    lights = [f"L{i:03d}" for i in range(CIRCUITS)]
    known = SimpleNamespace(
        circuits=pd.DataFrame({"circuit_id": names, "feed": kinds, "owner": ""}),
        lights=pd.DataFrame({"light_id": lights, "circuit_id": names}),
        weather=pd.DataFrame({"station_id": ["dry", "wet"], "rain_mm": [0.0, 5.0]}),
        repairs=repairs,
        opened=0,
    )
    station = np.where(wet, "wet", "dry")
    return SimpleNamespace(
        known=known,
        circuits=known.circuits,
        as_of=int(years * YEAR),
        watched_until=int(years * YEAR),
        nearest_station=dict(zip(lights, station, strict=True)),
    )


def _supply(factor: Floats, years: float, rng: np.random.Generator) -> pd.DataFrame:
    count = rng.poisson(factor * SUPPLY_PER_YEAR * years)
    circuit = np.repeat(np.arange(CIRCUITS), count)
    return pd.DataFrame(
        {
            "circuit_id": [f"C{i:03d}" for i in circuit],
            "happened": np.linspace(0, years * YEAR, len(circuit)),
            "light_id": "",
            "section_id": "",
            "named": False,
            "cause": "supply",
            "action": "repaired",
        }
    )


def world(seed: int, years: float = 10.0) -> World:
    """Simulate one network, watched for some years."""
    rng = np.random.default_rng([4711, seed])
    sections = rng.integers(SECTIONS[0], SECTIONS[1] + 1, CIRCUITS)
    circuit = np.repeat(np.arange(CIRCUITS), sections)
    of_circuit = rng.choice(list(LAWS), CIRCUITS, p=[0.4, 0.35, 0.25])
    kinds = of_circuit[circuit]
    shape, scale = (np.array([LAWS[kind][i] for kind in kinds]) for i in (0, 1))
    age = rng.uniform(3, 40, CIRCUITS)[circuit]
    km = rng.uniform(0.02, 0.06, len(circuit))
    wet = rng.random(CIRCUITS) < 0.5
    own = _frailty(seed, rng)
    factor = (own * np.where(wet, WET, 1.0))[circuit] * km
    which, at = _faults(shape, scale, age, years, factor, rng)
    supply = _supply(own, years, rng)

    order = np.lexsort((at, which))
    which, at = which[order], at[order]
    row = np.concatenate([np.arange(len(circuit)), which])
    start = np.concatenate([age, at])
    frame = pd.DataFrame({"row": row, "start": start}).sort_values(["row", "start"])
    after = frame.groupby("row")["start"].shift(-1)
    until = (age + years)[frame["row"]]
    frame = frame.assign(end=after.fillna(pd.Series(until, frame.index)))
    at_row = frame["row"].to_numpy()
    lived = pd.DataFrame(
        {
            "section_id": [f"S{i:05d}" for i in at_row],
            "circuit_id": [f"C{i:03d}" for i in circuit[at_row]],
            "kind": np.where(kinds[at_row] == "overhead", "line", "cable"),
            "type": kinds[at_row],
            "installed": -age[at_row] * YEAR,
            "installed_last": -age[at_row] * YEAR,
            "start": (frame["start"].to_numpy() - age[at_row]) * YEAR,
            "end": (frame["end"].to_numpy() - age[at_row]) * YEAR,
            "failed": after.notna().to_numpy(),
            "weight": km[at_row],
        }
    ).assign(light_id="", model="", maker="unknown", end_repair=-1)
    lived["end"] = lived["end"].where(lived["failed"], years * YEAR)
    register = _register(of_circuit, wet, supply, years)

    def of(start: Floats, end: Floats, span: float) -> Floats:
        cable = factor * _between(shape, scale, start, end)
        return np.bincount(circuit, cable) + own * SUPPLY_PER_YEAR * span

    ahead = of(age + years, age + years + AHEAD, AHEAD)
    return World(
        Lives(lived[list(COLUMNS)], register),
        of(age, age + years, years),
        ahead,
        own,
        rng.poisson(ahead).astype(float),
    )


@dataclass(frozen=True)
class Ranked:
    """Of one world: faults that came on the worst circuits, by who named them.

    ``covered`` says of each circuit whether its true ratio lies inside our limits;
    ``ratio`` compares all faults said to come with those truly expected.
    """

    ours: float
    counted: float
    best: float
    oracle: float
    total: float
    covered: NDArray[np.bool_]
    ratio: float


def _worst(score: Floats, came: Floats) -> float:
    """Return what came on the worst circuits; those with one score share alike."""
    most = round(WORST * len(score))
    least = np.sort(score)[-most]
    sure = score > least
    tied = score == least
    return float(came[sure].sum() + came[tied].mean() * (most - sure.sum()))


def ranked(made: World) -> Ranked:
    """Rank the circuits of a world, and see what came."""
    found: dict[str, BadCircuit] = {
        one.circuit_id: one for one in bad_circuits(made.lives)
    }
    every = [found[f"C{i:03d}"] for i in range(CIRCUITS)]
    next_2y = np.array([one.next_2y for one in every])
    count = np.array([float(one.excess.failures) for one in every])
    expected = np.array([one.excess.expected for one in every])
    low = np.array([one.excess.low for one in every])
    high = np.array([one.excess.high for one in every])
    true = made.watched / expected
    usual = made.watched / made.factor
    best = (SHAPE + count) / (SHAPE + usual) * made.ahead / made.factor
    return Ranked(
        _worst(next_2y, made.came),
        _worst(count, made.came),
        _worst(best, made.came),
        _worst(made.ahead, made.came),
        float(made.came.sum()),
        (low <= true) & (true <= high),
        float(next_2y.sum() / made.ahead.sum()),
    )
