"""Many short lists, one a light or road, kept end to end and picked at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Lists:
    """Positions of things by who owns them; ``start`` has one entry more than owners.

    >>> lists = Lists.of(np.array([1, 0, 1, -1]), 2)
    >>> lists.pick(np.array([1]))
    (array([0, 2]), array([0, 0]))
    """

    start: Ints
    rows: Ints

    @classmethod
    def of(cls, owner: Ints, owners: int) -> Lists:
        """Sort things by owner; those of no owner (-1) are left out."""
        rows = np.argsort(owner, kind="stable")
        rows = rows[np.searchsorted(owner[rows], 0) :]
        start = np.searchsorted(owner[rows], np.arange(owners + 1))
        return cls(start.astype(np.int64), rows.astype(np.int64))

    def pick(self, at: Ints) -> tuple[Ints, Ints]:
        """Return the things of some owners, and for each which of ``at`` owns it.

        An owner of -1 has none.
        """
        first = self.start[at]
        count = np.append(np.diff(self.start), 0)[at]
        which = np.repeat(np.arange(len(at)), count)
        begun = np.cumsum(count) - count
        inside = np.arange(len(which)) - np.repeat(begun, count)
        return self.rows[np.repeat(first, count) + inside], which
