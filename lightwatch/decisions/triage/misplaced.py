"""Reports that name another light than is meant: one nearby, or the next in number.

Whoever calls reads the number off the next pole, or sees the dark from afar. How often,
and which of the two, is read off reports that crews answered at another light.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.spatial import cKDTree

from lightwatch.decisions.triage.grid import Grid, in_number, metres
from lightwatch.decisions.triage.priors import MISPLACED
from lightwatch.register import Register
from lightwatch.store.frames import filled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NEARBY_M = 80.0
NEIGHBOURS = 4
"""A report may be meant for one of so many lights nearest to it, so near [m]; no
source."""

_STEPS = 30


@dataclass(frozen=True)
class Misplaced:
    """How reports go astray.

    Parameters
    ----------
    share
        Of all reports, those that name another light than is meant.
    by_number
        Of those, the share that names the light next in number; the rest name one of
        those nearest.
    answered
        Reports by light that crews answered, on which the share stands.
    """

    share: float
    by_number: float
    answered: int = 0


@dataclass(frozen=True)
class Neighbours:
    """Pairs of lights that may be taken for each other, by number of light.

    ``by_number`` says which pairs are next to each other in the order of their
    identifiers; the others are near each other. A pair may be both, and is there twice.
    """

    light: Ints
    other: Ints
    by_number: NDArray[np.bool_]

    @classmethod
    def on(cls, grid: Grid, asked: Ints) -> Neighbours:
        """Find those of some lights of a network; in a part of one, those in it."""
        if grid.whole is None:
            return cls._among(grid.in_number, grid.near, asked)
        number = grid.whole.light_ids.get_indexer(grid.light_ids)
        found = cls.on(grid.whole, number[asked])
        here = np.full(len(grid.whole.lights), -1)
        here[number] = np.arange(len(number))
        light, other = here[found.light], here[found.other]
        there = other >= 0
        return cls(light[there], other[there], found.by_number[there])

    @classmethod
    def of(cls, light_ids: pd.Index, place: Floats, asked: Ints) -> Neighbours:
        """Find those of some lights.

        Parameters
        ----------
        light_ids
            Of all n lights.
        place
            Shape (n, 2) [m].
        asked
            Numbers of lights.
        """
        return cls._among(in_number(light_ids), cKDTree(place), asked)

    @classmethod
    def _among(cls, order: Ints, near: cKDTree, asked: Ints) -> Neighbours:
        place = near.data
        rank = np.empty(len(order), dtype=np.int64)
        rank[order] = np.arange(len(order))
        light, other = [], []
        for step in (-1, 1):
            next_to = rank[asked] + step
            there = (next_to >= 0) & (next_to < len(order))
            light.append(asked[there])
            other.append(order[next_to[there]])
        numbered = sum(map(len, light))
        if len(asked) and len(place) > 1:
            many = min(NEIGHBOURS + 1, len(place))
            away, beside = near.query(place[asked], k=many)
            close = (away <= NEARBY_M) & (beside != asked[:, None])
            light.append(np.repeat(asked, close.sum(axis=1)))
            other.append(beside[close])
        one, two = np.concatenate(light), np.concatenate(other)
        return cls(one, two, np.arange(len(one)) < numbered)

    def weight(self, by_number: float) -> Floats:
        """Return how likely each pair's second light is to be named for its first."""
        return np.where(self.by_number, by_number / 2, (1 - by_number) / NEIGHBOURS)


def misplaced(register: Register) -> Misplaced:
    """Read off the records how often the light repaired was not the one reported.

    The share named by number is that of a mixture, by expectation and maximisation,
    with one pair of each kind beforehand.
    """
    known = register.known
    repairs = known.repairs[known.repairs["light_id"] != ""]
    repairs = repairs[repairs["action"] != "no_fault_found"]
    light = known.reports.set_index("report_id")["light_id"]
    named = filled(repairs["report_id"].map(light), "")
    answered = named != ""
    other = answered & (named != repairs["light_id"])
    share = MISPLACED.drawn(float(other.sum()), float(answered.sum()))
    ids = pd.Index(known.lights["light_id"], dtype=object)
    meant = ids.get_indexer(pd.Index(repairs.loc[other, "light_id"], dtype=object))
    said = ids.get_indexer(pd.Index(named[other], dtype=object))
    meant, said = meant[(meant >= 0) & (said >= 0)], said[(meant >= 0) & (said >= 0)]
    pairs = Neighbours.of(ids, metres(known.lights), np.unique(meant))
    key = pairs.light * len(ids) + pairs.other
    asked = meant * len(ids) + said
    number = np.isin(asked, key[pairs.by_number]) / 2
    near = np.isin(asked, key[~pairs.by_number]) / NEIGHBOURS
    kept = number + near > 0
    number, near = number[kept], near[kept]
    by_number = 0.5
    for _ in range(_STEPS):
        part = by_number * number / (by_number * number + (1 - by_number) * near)
        by_number = float(part.sum() + 1.0) / (len(part) + 2.0)
    return Misplaced(share, by_number, int(answered.sum()))


def drawn(
    grid: Grid, told: Ints, own: Floats, false: float, per_night: Floats, how: Misplaced
) -> Floats:
    """Return for every light the rate of reports meant for another [1/night].

    Only a light in trouble draws reports that others are named in, and of two lights
    that are told of, each may be the one that is meant. So each told light is in
    trouble by the odds of its own failing against reports gone astray, which hang on
    the others being in trouble: a fixed point, found by iteration.

    Parameters
    ----------
    grid
        The network, of n lights.
    told
        Numbers of the lights of which something is told.
    own
        Their hazard of coming into trouble [1/night].
    false
        Rate of reports of a light where nothing is wrong [1/night].
    per_night
        Rate of reports that each draws in trouble [1/night].
    how
        How reports go astray.
    """
    many = len(grid.lights)
    pairs = Neighbours.on(grid, told)
    place = np.searchsorted(told, pairs.light)
    rate = how.share * pairs.weight(how.by_number) * per_night[place]
    astray = coo_array((rate, (pairs.other, place)), shape=(many, len(told))).tocsr()
    among = astray[told]
    trouble = np.ones(len(told))
    for _ in range(_STEPS):
        found = own / (own + false + among @ trouble)
        trouble = (trouble + found) / 2
    reached: Floats = astray @ trouble
    return reached
