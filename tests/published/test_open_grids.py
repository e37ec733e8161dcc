"""Feed faults on open low-voltage cable grids: topologies that we did not invent.

Sources: the IEEE European low-voltage test feeder (906 buses, 55 loads) and station
T_idx_77 of the Schutterwald grid (doi.org/10.3390/en13164052), both as carried by the
package pandapower 3.5.6 (BSD licence, University of Kassel and Fraunhofer IEE).
Stretches without a branch or a load are joined. A light stands for each load; who
fails and who reports is drawn here, from the rates that are given to the inference.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.triage.evidence import Lights, Looks, night_edges, weigh
from lightwatch.decisions.triage.tree import Forest, fault_evidence, faults

DATA = Path(__file__).parent / "data"
GRIDS = {"european_lv_feeder": (109, 55), "schutterwald_station": (224, 123)}
"""Stretches, and loads."""

P14 = 0.5
PER_NIGHT = -np.log1p(-P14) / 14
ALONE, FALSE, FAULT_PER_KM = 0.1 / 365, 0.02 / 365, 0.3 / 365
NIGHTS_DARK = 10.0
WORLDS = 300
NOTHING = Looks(
    np.zeros(0, int), np.zeros(0), np.zeros(0, bool), np.zeros(0), np.zeros(0)
)


@dataclass(frozen=True)
class Grid:
    """One tree: parent of each node (0 the source), lights at nodes, hazards."""

    parent: np.ndarray
    light_node: np.ndarray
    per_night: np.ndarray

    @classmethod
    def read(cls, name: str) -> Grid:
        table = pd.read_csv(DATA / f"{name}.csv")
        parent = np.concatenate([[-1], table["upstream"].to_numpy()])
        lights = np.repeat(table["node"].to_numpy(), table["loads"].to_numpy())
        km = np.concatenate([[0.0], table["length_m"].to_numpy() / 1000])
        return cls(parent, lights, km * FAULT_PER_KM + 1e-9)

    def beyond(self) -> np.ndarray:
        """Whether each light hangs beyond each node: shape (nodes, lights)."""
        found = np.zeros((len(self.parent), len(self.light_node)), dtype=bool)
        for light, node in enumerate(self.light_node):
            at = node
            while at >= 0:
                found[at, light] = True
                at = self.parent[at]
        return found


def _reported(dark_nights: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draw when lights are first reported, as nights before now; NaN if not."""
    wait = rng.exponential(1 / PER_NIGHT, dark_nights.shape)
    told = np.where(wait < dark_nights, dark_nights - wait, np.nan)
    false = rng.random(dark_nights.shape) < FALSE * 14
    return np.where(np.isnan(told) & false, rng.uniform(0, 14, told.shape), told)


@dataclass(frozen=True)
class Judged:
    """What came of many worlds on one grid."""

    fault: np.ndarray
    """Node at fault in each world, -1 for none."""
    told: np.ndarray
    shared: np.ndarray
    at_fault: np.ndarray


def _judge(grid: Grid, seed: int) -> Judged:
    """Draw worlds, half of them with one fault that darkens two lights or more."""
    rng = np.random.default_rng(seed)
    beyond = grid.beyond()
    n, m = beyond.shape
    weight = grid.per_night * (beyond.sum(axis=1) >= 2)
    weight[0] = 0.0
    fault = rng.choice(n, WORLDS, p=weight / weight.sum())
    fault[: WORLDS // 2] = -1
    dark = np.where(fault[:, None] >= 0, beyond[fault], False)
    own = rng.random((WORLDS, m)) < ALONE * 30
    nights = np.maximum(dark * NIGHTS_DARK, own * rng.uniform(0, 30, (WORLDS, m)))
    told = _reported(nights, rng)
    edges = night_edges()
    size = WORLDS * m

    def each(value: float) -> np.ndarray:
        return np.full(size, value)

    lights = Lights(
        each(np.inf), each(0.0), told.ravel(), each(1.0), each(1.0), each(ALONE),
        each(PER_NIGHT), each(PER_NIGHT), each(PER_NIGHT), each(0.0), each(FALSE),
        each(0.0), each(0.0), np.zeros(size, dtype=bool),
    )  # fmt: skip
    shared = weigh(lights, NOTHING, edges).shared
    first = np.arange(WORLDS)[:, None] * n
    forest = Forest(np.where(grid.parent < 0, -1, grid.parent + first).ravel())
    at = (grid.light_node[None, :] + first).ravel()
    evidence = forest.gather(at, np.column_stack([shared, np.zeros(size)]))
    hazard = np.tile(grid.per_night, WORLDS)
    nights_wide = -np.diff(edges)
    found = faults(forest, evidence, hazard, nights_wide)
    several = np.tile(beyond.sum(axis=1) >= 2, WORLDS)
    without = fault_evidence(
        forest, evidence, np.where(several, 0, hazard), nights_wide
    )
    source = np.arange(WORLDS) * n
    chance = -np.expm1(np.minimum(without[source] - found.log_evidence[source], 0))
    return Judged(fault, np.isfinite(told), chance, found.at_fault.reshape(WORLDS, n))


@pytest.fixture(scope="module", params=sorted(GRIDS))
def case(request: pytest.FixtureRequest) -> tuple[Grid, Judged]:
    grid = Grid.read(request.param)
    assert (len(grid.parent) - 1, len(grid.light_node)) == GRIDS[request.param]
    return grid, _judge(grid, seed=11)


def _detectable(grid: Grid, judged: Judged) -> np.ndarray:
    dark = np.where(judged.fault[:, None] >= 0, grid.beyond()[judged.fault], False)
    return (dark & judged.told).sum(axis=1) >= 2


def test_what_is_said_to_be_a_shared_fault_is_one(case: tuple[Grid, Judged]) -> None:
    _, judged = case
    said = judged.shared > 0.5
    assert said.sum() >= 40
    assert (judged.fault[said] >= 0).mean() >= 0.92


def test_detectable_faults_are_found_and_sound_feeds_left_alone(
    case: tuple[Grid, Judged],
) -> None:
    grid, judged = case
    detectable = _detectable(grid, judged)
    said, counted = judged.shared > 0.5, judged.told.sum(axis=1) >= 3
    assert said[detectable].mean() >= 0.84
    sound = judged.fault < 0
    assert said[sound].sum() <= counted[sound].sum()


def test_the_lamp_set_is_among_the_three_likeliest(case: tuple[Grid, Judged]) -> None:
    grid, judged = case
    beyond = grid.beyond()
    detectable = np.flatnonzero(_detectable(grid, judged))
    hits = []
    for world in detectable:
        order = np.argsort(-judged.at_fault[world])
        sets: list[bytes] = []
        for node in order:
            key = beyond[node].tobytes()
            if key not in sets:
                sets.append(key)
            if len(sets) == 3:
                break
        hits.append(beyond[judged.fault[world]].tobytes() in sets)
    assert np.mean(hits) >= 0.78
