"""Among whose lights a light stands on the drawing: the circuits that it may be on.

A light that stands among lights of another circuit is easily a slip of the pen; but
circuits that take turns along a street look the same. Which of the two it is, the
histories of such lights say.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.spatial import KDTree

from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.likely_feeds import JOIN_M

NEAR, BESIDE = 4, 12
"""A light that has another circuit's among so few neighbours is looked at; so many are
looked at then."""

CIRCUITS = 3
"""Other circuits that a light is held against, the nearest."""

AMID = 3
"""So many lights of one other circuit, nearer than any of its own, are all round it; no
source."""

OWN, BORDER, AMONG = 0, 1, 2
"""The nearest light is of its own circuit; of another; it stands among another's."""

FIRST = 0.9
"""Share of lights on a wrong circuit that are on that of their nearest neighbour, where
this is another; no source."""


def _nearest(many: int, of: int) -> list[int]:
    """Return which neighbours to ask for: the nearest but the light itself."""
    return [*range(2, min(many, of - 1) + 2)]


def surroundings(grid: Grid) -> pd.DataFrame:
    """Return the circuits that lights on a circuit stand beside.

    Parameters
    ----------
    grid
        The network.

    Returns
    -------
    pandas.DataFrame
        One row a light and other circuit: ``light``, ``circuit``, ``other`` (the
        nearest light of it), ``stands`` (OWN, BORDER or AMONG), ``share`` (that it is
        this circuit, if it is another than on record).
    """
    known = np.flatnonzero(grid.on_record)
    if len(known) < 2:
        columns = ["light", "circuit", "other", "stands", "share"]
        return pd.DataFrame(columns=columns, dtype=int)
    place, circuit = grid.metres[known], grid.circuit[known]
    tree = KDTree(place)
    _, near = tree.query(place, _nearest(NEAR, len(place)))
    here = np.flatnonzero((circuit[near] != circuit[:, None]).any(axis=1))
    away, near = tree.query(place[here], _nearest(BESIDE, len(place)))
    of = circuit[near]
    differs = of != circuit[here][:, None]
    # Lights of the nearest neighbour's circuit that come before any of its own.
    before = (np.logical_and.accumulate(differs, axis=1) & (of == of[:, :1])).sum(1)
    stands = np.where(before >= AMID, AMONG, np.where(before > 0, BORDER, OWN))
    row, column = np.nonzero(differs & (away <= JOIN_M))
    table = pd.DataFrame(
        {"light": known[here[row]], "circuit": of[row, column],
         "other": known[near[row, column]], "stands": stands[row],
         "first": (before[row] > 0) & (of[row, column] == of[row, 0])}
    )  # fmt: skip
    table = table.drop_duplicates(["light", "circuit"], ignore_index=True)
    table = table[table.groupby("light").cumcount() < CIRCUITS]
    weight = np.where(table["stands"] == OWN, 1.0, 1 - FIRST)
    weight = np.where(table["first"], FIRST * CIRCUITS, weight)
    total = np.bincount(table["light"], weight, len(grid.lights))
    return table.drop(columns="first").assign(share=weight / total[table["light"]])
