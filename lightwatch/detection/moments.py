"""Many short lists of times, one a light or road, searched all at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_APART = 1e6
"""More days than any record spans, so that keys of two names never mix."""


@dataclass(frozen=True)
class Moments:
    """Times by name, sorted; times are in days.

    ``keys`` hold name and time in one number; ``rows`` say where each came from.
    """

    codes: dict[str, int]
    keys: Floats
    rows: Ints

    @classmethod
    def of(cls, names: pd.Series[Any], days: pd.Series[Any]) -> Moments:
        """Sort times by name."""
        code, unique = pd.factorize(names)
        keys = code * _APART + days.to_numpy(float)
        order = np.argsort(keys, kind="stable")
        codes = {str(name): i for i, name in enumerate(unique)}
        return cls(codes, keys[order], order)

    def _keys(self, names: pd.Series[Any], days: Floats) -> Floats:
        code = names.map(self.codes).to_numpy(float)
        keys: Floats = code * _APART + days
        return keys

    def count(self, names: pd.Series[Any], after: Floats, until: Floats) -> Ints:
        """Count for each name the times after one time, up to another, inclusive."""
        first = np.searchsorted(self.keys, self._keys(names, after), side="right")
        last = np.searchsorted(self.keys, self._keys(names, until), side="right")
        known = names.isin(list(self.codes)).to_numpy()
        return np.where(known, np.maximum(last - first, 0), 0)

    def next(self, names: pd.Series[Any], after: Floats) -> tuple[Floats, Ints]:
        """Return for each name its first time after another, and its row.

        Where there is none: infinite, and -1.
        """
        index = np.searchsorted(self.keys, self._keys(names, after), side="right")
        return self._at(names, np.minimum(index, len(self.keys)), np.inf)

    def last(self, names: pd.Series[Any], before: Floats) -> tuple[Floats, Ints]:
        """Return for each name its last time before another, and its row.

        Where there is none: minus infinite, and -1.
        """
        index = np.searchsorted(self.keys, self._keys(names, before), side="left") - 1
        return self._at(names, index, -np.inf)

    def _at(
        self, names: pd.Series[Any], index: Ints, none: float
    ) -> tuple[Floats, Ints]:
        code = names.map(self.codes).to_numpy(float)
        inside = (index >= 0) & (index < len(self.keys)) & ~np.isnan(code)
        safe = np.where(inside, index, 0)
        key = self.keys[safe] if len(self.keys) else np.zeros(len(safe))
        day = key - code * _APART
        inside &= np.abs(day) < _APART / 2
        rows = self.rows[safe] if len(self.rows) else np.zeros(len(safe), dtype=int)
        return np.where(inside, day, none), np.where(inside, rows, -1)
