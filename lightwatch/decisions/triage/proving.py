"""From readings to the section: which place to ask next, and when to open it.

A place is not asked again while its reading is fresh and believed; where readings and
all else on record disagree, it is. It ends: no place is read more than a few times.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from lightwatch.decisions.triage.next_test import (
    SOURCE,
    SURE,
    SURE_BETWEEN,
    Check,
    Ways,
    best_check,
    checks_needed,
    dead_share,
)
from lightwatch.decisions.triage.tested import OLD_NIGHTS, Reading

DOUBT = 0.05
"""A reading as likely as this to be wrong, all evidence weighed, may be repeated."""

READS = 3
"""A place read as often as this is not asked again while the readings are fresh."""


@dataclass(frozen=True)
class Proving:
    """Where one fault may be, and what was read on its circuit.

    Parameters
    ----------
    chances
        By section (and ``source``), how likely the fault is there, all weighed.
    ways
        For each section the sections from it to the source, itself first.
    readings
        Tests of voltage, oldest first.
    sections
        All sections of the circuit: a test may be made at the end of any.
    """

    chances: Mapping[str, float]
    ways: Ways
    readings: tuple[Reading, ...]
    sections: tuple[str, ...]

    @cached_property
    def fresh(self) -> tuple[Reading, ...]:
        """Readings that are not old."""
        return tuple(one for one in self.readings if one.age <= OLD_NIGHTS)

    @property
    def tested(self) -> bool:
        """Whether anything was read of late: nothing is opened before."""
        return any(one.live is not None for one in self.fresh)

    @property
    def likeliest(self) -> str:
        """The likeliest section, or the source."""
        return max(self.chances, key=lambda name: self.chances[name])

    def share(self, place: str) -> float:
        """Return how likely the fault is at a place, if there is one fault."""
        return self.chances[place] / sum(self.chances.values())

    def wrong(self, place: str) -> float:
        """Return how likely what was read at a place is wrong.

        Of several readings the majority counts; where they are even, it is 1.
        """
        said = [one.live for one in self.fresh if one.place == place]
        for_live = said.count(True) - said.count(False)
        if not for_live:
            return 1.0
        dead = dead_share(self.chances, self.ways, place)
        return dead if for_live > 0 else 1 - dead

    @cached_property
    def settled(self) -> frozenset[str]:
        """Places not to be asked again: read and believed, or found shut."""
        read = [one.place for one in self.fresh if one.live is not None]
        shut = {one.place for one in self.fresh if one.live is None}
        return frozenset(shut).union(
            place
            for place in read
            if read.count(place) >= READS or self.wrong(place) <= DOUBT
        )

    @cached_property
    def contradicted(self) -> str | None:
        """The place read last that all else speaks against, if it may be asked."""
        for one in reversed(self.fresh):
            place = one.place
            if place and place not in self.settled and self.wrong(place) > 0.5:
                return place
        return None

    @cached_property
    def between(self) -> bool:
        """Whether the likeliest section was read live before it and dead beyond it."""
        way = self.ways.get(self.likeliest, ())
        before = way[1] if len(way) > 1 else SOURCE
        read = {(one.place, one.live) for one in self.fresh}
        return (self.likeliest, False) in read and (before, True) in read

    @cached_property
    def _others(self) -> tuple[str, ...]:
        """Ends of sections at which a test may be made where the best is settled."""
        if not self.settled:
            return ()
        return tuple(one for one in self.sections if one not in self.chances)

    @cached_property
    def check(self) -> Check | None:
        """The test that tells most per minute."""
        return best_check(self.chances, self.ways, self.settled, self._others)

    @cached_property
    def needed(self) -> float:
        """Tests that it takes on average to name the section."""
        return checks_needed(
            self.chances, self.ways, settled=self.settled, others=self._others
        )

    @cached_property
    def to_open(self) -> str | None:
        """The section that needs no further test; None as long as none was read."""
        if not self.tested or self.contradicted:
            return None
        enough = SURE_BETWEEN if self.between else SURE
        sure = self.share(self.likeliest) >= enough or self.check is None
        return self.likeliest if sure else None
