"""Work on a feed that lights probably hang on, though the record does not say so.

Whoever mends a feed names its circuit or its section. A light that hangs on it, but on
no circuit or no section on record, was told of with the others, and no work ever
answers that. So the mending of its circuit, or of one beside a light on none, soon
after it was told of, probably did.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import KDTree

from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.likely_feeds import JOIN_M
from lightwatch.decisions.triage.troubles import answers
from lightwatch.nights import DAY
from lightwatch.words import DARK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WITHIN_DAYS = 60.0
"""A feed is mended so soon after its lights are told of: common practice, no source."""

BESIDE_SLIP = 0.15
"""Chance that a light so answered is dark all the same; no source."""

_NEAR = 8
"""Lights on record among which the circuits beside one are looked for."""


def _feed_work(grid: Grid) -> pd.DataFrame:
    """Return work on feeds: ``circuit`` (number), ``at`` [instant]."""
    done = answers(grid.register)
    done = done[(done["light_id"] == "") & ~done["named"]]
    section = grid.section_ids.get_indexer(pd.Index(done["section_id"]))
    circuit = grid.circuits.get_indexer(pd.Index(done["circuit_id"]))
    owner = np.where(section >= 0, grid.section_circuit[section], circuit)
    table = pd.DataFrame({"circuit": owner, "at": done["happened"].to_numpy(float)})
    return table[table["circuit"] >= 0]


def _circuits(grid: Grid, lights: Ints) -> pd.DataFrame:
    """Return which circuits lights may hang on: ``light``, ``circuit`` (numbers)."""
    known = lights[grid.on_record[lights]]
    own = pd.DataFrame({"light": known, "circuit": grid.circuit[known]})
    here, free = np.flatnonzero(grid.on_record), lights[~grid.on_record[lights]]
    if not len(here) or not len(free):
        return own
    count = min(_NEAR, len(here))
    _, near = KDTree(grid.metres[here]).query(
        grid.metres[free], [*range(1, count + 1)], distance_upper_bound=JOIN_M
    )
    circuit = np.append(grid.circuit[here], -1)[near]
    beside = pd.DataFrame({"light": np.repeat(free, count), "circuit": circuit.ravel()})
    beside = beside[beside["circuit"] >= 0].drop_duplicates()
    return pd.concat([own, beside], ignore_index=True)


def feed_work_beside(grid: Grid, told: pd.DataFrame) -> Floats:
    """Return when a feed that each light may hang on was mended soon after its report.

    Parameters
    ----------
    grid
        The network.
    told
        Reports and sightings: ``light_id``, ``at`` [instant], ``symptom``.

    Returns
    -------
    numpy.ndarray
        Shape (lights,): the last such instant; minus infinite for lights on a section
        on record, and where none was.
    """
    last = np.full(len(grid.lights), -np.inf)
    told = told[told["symptom"].isin(DARK)]
    light = grid.light_ids.get_indexer(pd.Index(told["light_id"]))
    mine = (light >= 0) & (~grid.on_record | (grid.section < 0))[light]
    if not mine.any():
        return last
    reports = pd.DataFrame({"light": light[mine], "told": told["at"].to_numpy()[mine]})
    both = _circuits(grid, np.unique(light[mine])).merge(_feed_work(grid), on="circuit")
    both = both.merge(reports, on="light")
    waited = (both["at"] - both["told"]) / DAY
    both = both[(waited >= 0) & (waited <= WITHIN_DAYS)]
    np.maximum.at(last, both["light"].to_numpy(), both["at"].to_numpy(float))
    return last
