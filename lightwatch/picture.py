"""The picture of a day: the one way in which commands and pages ask what is decided.

What was decided before of the same records is found again; the rest is worked out when
it is asked for. A record that comes later moves only the circuits that it touches.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Self

from lightwatch.decisions.grounds import Grounds, grounds
from lightwatch.decisions.repeats import Repeats
from lightwatch.decisions.triage import Outage, Triage, triaged
from lightwatch.decisions.triage.apart import Apart, apart
from lightwatch.decisions.triage.experience import Experience, experience
from lightwatch.decisions.triage.misdrawn import Misdrawn
from lightwatch.decisions.triage.part import Town
from lightwatch.decisions.triage.signs import Signs
from lightwatch.kept import Folder, derived
from lightwatch.lives import Lives, lives
from lightwatch.observations.known import Known, known_at
from lightwatch.register import Register
from lightwatch.store import Store

Learned = tuple[Experience, tuple[Misdrawn, ...]]
"""Rates, and the lights that are probably on another circuit."""


@dataclass(frozen=True)
class Picture:
    """All that is known, and decided, as of one instant.

    Parameters
    ----------
    register
        What stands.
    before
        What an earlier picture read off the records, where it serves still.
    newer
        By light, what stands in its part of the town, where that was read later.
    """

    register: Register
    before: Learned | None = None
    newer: Mapping[str, Register] = field(default_factory=dict, repr=False)
    touched: frozenset[str] = frozenset()

    @classmethod
    def of(
        cls, store: Store, as_of: str | None = None, near_m: float | None = None
    ) -> Self:
        """Return the picture of a store.

        Parameters
        ----------
        store
            The records.
        as_of
            A time, or a date: 00:00 local of that day; None: now.
        near_m
            As of a register.

        Raises
        ------
        NotUnderstood
            ``as_of`` is no time.
        """
        return cls(Register(known_at(store, as_of, near_m), near_m))

    @property
    def kept(self) -> Folder | None:
        """What was worked out before of the same records, if anything was."""
        return None if self.before or self.newer else self.register.kept

    @property
    def known(self) -> Known:
        """The observations."""
        return self.register.known

    @property
    def as_of(self) -> int:
        """Until when anything is in it [instant]."""
        return max([self.known.as_of, *(one.as_of for one in self.newer.values())])

    @property
    def written(self) -> str:
        """As of when, RFC 3339."""
        return self.known.clock.written(self.as_of)

    @property
    def lives(self) -> Lives:
        """Life data."""
        return lives(self.register)

    @cached_property
    def rates(self) -> Experience:
        """What verdicts rest on, read off the records."""
        return self.before[0] if self.before else experience(self.lives)

    @cached_property
    def triage(self) -> Triage:
        """All that verdicts are drawn from."""
        if self.before:
            return Triage.drawn(Signs.of(self.register), *self.before)
        return Triage.of(self.lives, self.rates)

    @derived
    def outages(self) -> list[Outage]:
        """Every open trouble, the most urgent first."""
        return triaged(self.triage)

    @derived
    def misdrawn(self) -> tuple[Misdrawn, ...]:
        """Lights that are probably on another circuit than is on record."""
        return self.triage.misdrawn

    @derived
    def beside(self) -> Apart:
        """What is told of, and is on no light."""
        return apart(self.triage.signs)

    @cached_property
    def repeats(self) -> Repeats:
        """What fails again."""
        return Repeats(self.lives)

    def keep(self) -> None:
        """Keep what was worked out for the next who asks the same records."""
        if self.kept:
            self.kept.write()

    def on(self, answer: str) -> Grounds:
        """Return what an answer stands on; see :func:`grounds.grounds`."""
        return grounds(self.register, answer)

    def after(self, circuits: Collection[str], as_of: int) -> Self:
        """Return the picture after records on a few circuits.

        Only verdicts that these can move are updated, by the same rates; the others
        stay as of when they were drawn.

        Parameters
        ----------
        circuits
            Names of circuits in the grid of the triage.
        as_of
            Now [instant].

        Raises
        ------
        NotApart
            The whole must be read again.
        """
        town = Town(self.triage, self.touched | frozenset(circuits))
        part, found = town.outages(circuits, as_of, self.outages)
        lights = dict.fromkeys(part.standing["light_id"], part)
        then = replace(self, newer={**self.newer, **lights}, touched=town.touched)
        vars(then).update(triage=self.triage, outages=found, beside=self.beside)
        return then

    def around(self, light_id: str) -> Self:
        """Return the picture in which a light is as it was read last."""
        part = self.newer.get(light_id)
        if part is None:
            return self
        here = replace(self, register=part)
        vars(here).update(triage=self.triage, outages=self.outages, beside=self.beside)
        return here
