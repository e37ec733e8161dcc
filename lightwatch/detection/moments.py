"""Many short lists of times, one a light or road, searched all at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

_APART = 1e6
"""More days than any record spans, so that keys of two names never mix."""


@dataclass(frozen=True)
class Moments:
    """Times by name, sorted; times are in days.

    ``keys`` hold name and time in one number; ``rows`` say where each came from.
    """

    names: pd.Index[Any]
    keys: Floats
    rows: Ints

    @classmethod
    def of(cls, names: pd.Series[Any], days: pd.Series[Any]) -> Moments:
        """Sort times by name."""
        code, unique = pd.factorize(names)
        keys = code * _APART + days.to_numpy(float)
        order = np.argsort(keys, kind="stable")
        return cls(pd.Index(unique, dtype=object), keys[order], order)

    def at(self, names: pd.Series[Any]) -> MomentsAt:
        """Look up names, in order, to search the times of each."""
        return MomentsAt(self, self.names.get_indexer(pd.Index(names)))


@dataclass(frozen=True)
class MomentsAt:
    """The times of names in a given order; ``code`` is -1 for one without any."""

    moments: Moments
    code: Ints

    def chosen(self, which: Flags) -> MomentsAt:
        """Return some of the names."""
        return MomentsAt(self.moments, self.code[which])

    def count(self, after: Floats, until: Floats) -> Ints:
        """Count for each name the times after one time, up to another, inclusive."""
        first, last = self._index(after, "right"), self._index(until, "right")
        return np.where(self.code >= 0, np.maximum(last - first, 0), 0)

    def next(self, after: Floats) -> tuple[Floats, Ints]:
        """Return for each name its first time after another, and its row.

        Where there is none: infinite, and -1.
        """
        return self._found(self._index(after, "right"), np.inf)

    def last(self, before: Floats) -> tuple[Floats, Ints]:
        """Return for each name its last time before another, and its row.

        Where there is none: minus infinite, and -1.
        """
        return self._found(self._index(before, "left") - 1, -np.inf)

    def _index(self, days: Floats, side: Any) -> Ints:
        keys = self.code * _APART + days
        found: Ints = np.searchsorted(self.moments.keys, keys, side=side)
        return found

    def _found(self, index: Ints, none: float) -> tuple[Floats, Ints]:
        keys, rows = self.moments.keys, self.moments.rows
        inside = (index >= 0) & (index < len(keys)) & (self.code >= 0)
        if not inside.any():
            return np.full(len(index), none), np.full(len(index), -1)
        safe = np.where(inside, index, 0)
        day = keys[safe] - self.code * _APART
        inside &= np.abs(day) < _APART / 2
        return np.where(inside, day, none), np.where(inside, rows[safe], -1)
