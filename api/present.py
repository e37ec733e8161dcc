"""The present: what is known now, worked out once for every change of the record."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from lightwatch.decisions.triage import Outage, Triage, triaged
from lightwatch.decisions.triage.apart import Apart, apart
from lightwatch.decisions.triage.experience import Experience, experience
from lightwatch.decisions.triage.misdrawn import Misdrawn
from lightwatch.lives import Lives, lives
from lightwatch.nights import SECOND
from lightwatch.observations.entry import Logged, log_repair
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import Store
from lightwatch.words import DEAD, LIVE, SHUT

RATES_S = 900.0
"""How long the rates read off the records serve, where only tests came since [s]."""

UNSETTLED_S = 5.0
"""How long a picture serves while others may still add to its last second [s]."""


Learned = tuple[Experience, tuple[Misdrawn, ...]]
"""Rates, and the lights that are probably on another circuit."""


@dataclass(frozen=True)
class Picture:
    """All that is known as of one instant; each part is worked out when asked for.

    ``before``: what an earlier picture read off the records; it serves where only tests
    came since.
    """

    register: Register
    before: Learned | None = None

    @property
    def known(self) -> Known:
        """The observations."""
        return self.register.known

    @property
    def written(self) -> str:
        """As of when, RFC 3339."""
        return self.known.clock.written(self.known.as_of)

    @cached_property
    def lives(self) -> Lives:
        """Life data."""
        return lives(self.register)

    @cached_property
    def rates(self) -> Experience:
        """What verdicts rest on, read off the records."""
        return self.before[0] if self.before else experience(self.lives)

    @property
    def learned(self) -> Learned | None:
        """What was read off the records, if anybody has asked for it yet."""
        found: Triage | None = vars(self).get("triage")
        return (found.known, found.misdrawn) if found else None

    @cached_property
    def triage(self) -> Triage:
        """All that verdicts are drawn from."""
        wrong = self.before[1] if self.before else None
        return Triage.of(self.lives, self.rates, wrong)

    @cached_property
    def outages(self) -> list[Outage]:
        """Every open trouble, the most urgent first."""
        return triaged(self.triage)

    @cached_property
    def beside(self) -> Apart:
        """What is told of, and is on no light."""
        return apart(self.triage.signs)

    @cached_property
    def trouble(self) -> dict[str, int]:
        """Light to the number of its most urgent open trouble in ``outages``."""
        found: dict[str, int] = {}
        for number, outage in enumerate(self.outages):
            for light in outage.lights:
                found.setdefault(light, number)
        return found

    @cached_property
    def others(self) -> dict[str, str]:
        """Light to whoever else maintains it or owns its feed; '' if it is ours."""
        lights = self.register.standing
        who = lights["maintained_by"].where(
            lights["maintained_by"] != "", lights["feed_owner"]
        )
        return dict(zip(lights["light_id"], who, strict=True))

    @cached_property
    def pole_of(self) -> dict[str, str]:
        """Light in service to the tag of its pole; '' where it has none."""
        lights = self.register.standing
        return dict(zip(lights["light_id"], lights["pole_id"], strict=True))

    @cached_property
    def road_of(self) -> dict[str, str]:
        """Road segment to its name; '' where it has none."""
        roads = self.known.roads
        return {
            str(road): str(name or "")
            for road, name in zip(roads["road_id"], roads["name"], strict=True)
        }

    @cached_property
    def extracts(self) -> dict[str, tuple[bytes, str]]:
        """Room for answers that are worth keeping as long as this picture."""
        return {}


TESTS = ("follow_up", LIVE, DEAD, SHUT)
"""Actions of records that mend nothing, and so move no rate."""


def now() -> int:
    """Return the time [instant]."""
    return time.time_ns() // 1000


@dataclass
class Present:
    """The open store: one writer at a time, and one picture for all who read."""

    store: Store
    name: str
    """Of the place; a store never changes its own."""
    near_m: float | None = None
    _write: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _read: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _logged: int = 0
    _tests: int = 0
    _stamp: tuple[int, int, int] | None = None
    _built: int = 0
    _picture: Picture | None = None
    _others: tuple[int, int] | None = None
    _rated: int = 0

    def log(self, values: Mapping[str, str], said_by: str) -> Logged:
        """Keep one repair; see :func:`lightwatch.observations.entry.log_repair`."""
        with self._write:
            logged = log_repair(self.store, values, now=now(), said_by=said_by)
            self._logged += not logged.already
            if not logged.already and values.get("action") in TESTS:
                self._tests += 1
        return logged

    def picture(self, at_most_s: float = 0.0) -> Picture:
        """Return what is known now, with everything logged so far in it.

        Parameters
        ----------
        at_most_s
            An older picture will do, if it is at most this old [s].
        """
        with self._read:
            old = self._picture
            if old is not None and now() - self._built < at_most_s * SECOND:
                return old
            logged = self._logged
            as_of = default_as_of(self.store)
            stamp = (as_of, len(self.store.loads()), logged)
            if old is not None and stamp == self._stamp and self._holds(as_of):
                return old
            before = self._before(stamp)
            self._picture = Picture(
                Register(Known(self.store, as_of), self.near_m), before
            )
            self._stamp, self._built = stamp, now()
            return self._picture

    def _before(self, stamp: tuple[int, int, int]) -> Learned | None:
        """Return what still serves, for nothing but tests was logged since."""
        others = stamp[1], stamp[2] - self._tests
        if self._others != others or now() - self._rated > RATES_S * SECOND:
            self._others, self._rated = others, now()
            return None
        return self._picture.learned if self._picture else None

    def _holds(self, as_of: int) -> bool:
        """Tell whether no other process can have added below ``as_of`` unnoticed."""
        fresh = now() - self._built < UNSETTLED_S * SECOND
        return self._built >= as_of or fresh
