"""The present: what is known now, worked out once for every change of the record."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from lightwatch import picture
from lightwatch.decisions.triage import Triage
from lightwatch.decisions.triage.touched import touched
from lightwatch.errors import LightwatchError
from lightwatch.nights import SECOND
from lightwatch.observations.entry import Logged, log_repair
from lightwatch.observations.known import Known, default_as_of, known_now
from lightwatch.observations.part import NotApart
from lightwatch.picture import Learned
from lightwatch.register import Register
from lightwatch.store import Store
from lightwatch.words import DEAD, LIVE, SHUT

_log = logging.getLogger("lightwatch.service")

RATES_S = 900.0
"""How long rates read off the records serve; then the whole is read again [s]."""

MANY_TOUCHED = 100
"""So many circuits touched since the whole was read are enough to read it again."""


@dataclass(frozen=True)
class Picture(picture.Picture):
    """All that is known as of one instant, and how pages look it up."""

    @property
    def learned(self) -> Learned | None:
        """What was read off the records, if anybody has asked for it yet."""
        found: Triage | None = vars(self).get("triage")
        return (found.known, found.misdrawn) if found else None

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


@dataclass(frozen=True)
class _Standing:
    """A picture, and up to where it has read the store.

    ``built`` says when the whole was read, ``rated`` when its rates were [instants].
    """

    picture: Picture
    stamp: str
    marks: Mapping[str, int]
    built: int
    rated: int


TESTS = ("follow_up", LIVE, DEAD, SHUT)
"""Actions of records that mend nothing, and so move no rate."""


def now() -> int:
    """Return the time [instant]."""
    return time.time_ns() // 1000


@dataclass
class Present:
    """The open store: one writer at a time, and one picture for all who read.

    A record moves the verdicts of its own circuits at once. Where that cannot be told
    from them alone, and from time to time, the whole is read again; whoever reads
    meanwhile is not kept waiting by it.
    """

    store: Store
    name: str
    """Of the place; a store never changes its own."""
    near_m: float | None = None
    _write: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _read: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _building: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _whole: _Standing | None = None
    _now: _Standing | None = None

    def log(self, values: Mapping[str, str], said_by: str) -> Logged:
        """Keep one repair; see :func:`lightwatch.observations.entry.log_repair`."""
        with self._write:
            return log_repair(self.store, values, now=now(), said_by=said_by)

    def picture(self) -> Picture:
        """Return what is known now, with everything logged so far in it."""
        stamp = self.store.stamp()
        with self._read:
            old = self._now
            if old is not None and old.stamp == stamp:
                return old.picture
            moved = old and self._moved(old, stamp)
            if moved:
                self._now = moved
        if not moved:
            return self.whole()
        self._freshen(moved)
        return moved.picture

    def _freshen(self, moved: _Standing) -> None:
        """Have the whole read again, beside all else, if it has become old."""
        aged = now() - moved.built > RATES_S * SECOND
        many = len(moved.picture.touched) > MANY_TOUCHED
        if (aged or many) and not self._building.locked():
            threading.Thread(target=self._renew, daemon=True).start()

    def _renew(self) -> None:
        """Read the whole anew; trouble with that is logged, and the old one serves."""
        try:
            self.whole()
        except LightwatchError as error:
            _log.error("the picture was not updated: %s (%s)", error, error.driver)

    def whole(self, at_most_s: float = 0.0) -> Picture:
        """Return a picture in which no part is newer than the rest.

        Parameters
        ----------
        at_most_s
            An older one will do, if what was recorded since is at most this old [s].
        """
        with self._building:
            old = self._whole
            if old is not None:
                young = now() - old.built < at_most_s * SECOND
                if young or old.marks == self.store.marks():
                    return old.picture
            found = self._read_again(old)
            with self._read:
                self._whole = self._now = found
            return found.picture

    def _read_again(self, old: _Standing | None) -> _Standing:
        """Read the whole; rates that are young enough serve again."""
        stamp, marks, built = self.store.stamp(), self.store.marks(), now()
        same = old is not None and old.marks["loads"] == marks["loads"]
        if old and same and built - old.rated < RATES_S * SECOND:
            before, rated = old.picture.learned, old.rated
        else:
            before, rated = None, built
        if old is None:
            known = known_now(self.store, self.near_m)
        else:
            known = Known(self.store, default_as_of(self.store))
        picture = Picture(Register(known, self.near_m), before)
        _ = picture.outages, picture.triage
        return _Standing(picture, stamp, marks, built, rated)

    def _moved(self, old: _Standing, stamp: str) -> _Standing | None:
        """Return the picture with what came since; None where that takes the whole."""
        marks = self.store.marks()
        grown = {name for name in marks if marks[name] != old.marks[name]}
        if not grown <= {"reports", "repairs"}:
            return None
        try:
            circuits = touched(self.store, old.picture.triage.signs.grid, old.marks)
            picture = old.picture
            if circuits:
                picture = picture.after(circuits, default_as_of(self.store))
        except NotApart:
            return None
        return replace(old, picture=picture, stamp=stamp, marks=marks)
