"""Events by owner and time, counted and picked at once; sums by key."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MINUTE = 1440
_WIDE = 2**36


def _key(owner: Ints, day: Floats) -> Ints:
    """Return numbers that sort by owner, then by time to the minute."""
    found: Ints = owner * _WIDE + np.floor(day * _MINUTE).astype(np.int64)
    return found


@dataclass(frozen=True)
class Events:
    """Things that happened to owners, sorted by owner and time."""

    key: Ints
    rows: Ints

    @classmethod
    def of(cls, owner: Ints, day: Floats) -> Events:
        """Sort what happened to each owner on a day."""
        key = _key(owner, day)
        rows = np.argsort(key, kind="stable")
        return cls(key[rows], rows)

    def count(self, owner: Ints, since: Floats, until: Floats) -> Ints:
        """Count those after one day and up to another."""
        found: Ints = self._edges(owner, since, until)[1]
        return found

    def pick(self, owner: Ints, since: Floats, until: Floats) -> tuple[Ints, Ints]:
        """Return those after one day and up to another, and whose row they are in."""
        first, many = self._edges(owner, since, until)
        which = np.repeat(np.arange(len(owner)), many)
        inside = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many)
        return self.rows[np.repeat(first, many) + inside], which

    def _edges(self, owner: Ints, since: Floats, until: Floats) -> tuple[Ints, Ints]:
        first = np.searchsorted(self.key, _key(owner, since), "right")
        last = np.searchsorted(self.key, _key(owner, until), "right")
        return first, np.where(owner >= 0, np.maximum(last - first, 0), 0)


@dataclass(frozen=True)
class Tally:
    """Sums by key: shapes (n + 1,) and (values, n + 1), the last for no key."""

    key: Ints
    sums: Floats

    @classmethod
    def of(cls, key: Ints, *values: Floats) -> Tally:
        """Sum values of the same key."""
        found, which = np.unique(key, return_inverse=True)
        sums = np.array([np.bincount(which, one, len(found)) for one in values])
        none = np.zeros((len(values), 1))
        return cls(np.append(found, -1), np.concatenate([sums, none], axis=1))

    def at(self, key: Ints) -> Floats:
        """Return the sums of some keys, one row a value; 0 where there is none."""
        place = np.searchsorted(self.key[:-1], key)
        there = self.key[place] == key
        found: Floats = self.sums[:, np.where(there, place, len(self.key) - 1)]
        return found
