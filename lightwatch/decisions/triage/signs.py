"""What was observed of lights, since they were last worked on, up to a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import KDTree

from lightwatch.decisions.triage.beside import BESIDE_SLIP, feed_work_beside
from lightwatch.decisions.triage.channel import DARKNESS, Channel
from lightwatch.decisions.triage.crews import Crews, Tests
from lightwatch.decisions.triage.driven import Driven
from lightwatch.decisions.triage.evidence import Again, Lights, Looks, night_edges
from lightwatch.decisions.triage.experience import (
    FOUND,
    ChannelRates,
    Experience,
    FeedRates,
)
from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.habits import SYMPTOMS
from lightwatch.decisions.triage.heard import Heard
from lightwatch.decisions.triage.lists import Lists
from lightwatch.decisions.triage.misplaced import drawn
from lightwatch.decisions.triage.priors import FURTHER
from lightwatch.decisions.triage.troubles import answers
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.reach import reach
from lightwatch.words import DARK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

PROVEN_SLIP = 0.002
"""Chance that a light proven lit was left dark; no source."""

SAID_SLIP = 0.1
"""Chance that a light mended only by what a closed report says is dark; no source."""

NEVER = 1e6
"""Nights longer than any record."""

CREW_HIT = 0.98
"""Chance that a crew at the light says rightly whether it is dark; no source."""

CREW_WRONG = 0.005
"""Chance that a crew at a light that is lit calls it dark; no source."""

POWERED = 0.95
"""Chance that a light seen to burn by day, cycle or be dim is not dark; no source."""

CALL_M, CALL_NIGHTS = 300.0, 15 / 1440
"""Lights so near to each other, told of within so long, are of one call: common
practice, no source."""

DAY_HIT = 0.9
"""Chance that a day patrol notes a light that burns by day; no source."""

_POWERED = [one for one in SYMPTOMS if one not in (*DARK, "knocked_down", "other")]


@dataclass(frozen=True)
class _Told:
    """Reports and sightings in order of time; ``of`` lists them by light."""

    light: Ints
    at: Floats
    symptom: Ints
    seen: Flags
    of: Lists


@dataclass(frozen=True)
class _Rates:
    """Rates of one network, worked out once; it keeps what they were drawn from."""

    known: Experience
    grid: Grid
    crews: Crews

    @cached_property
    def feeds(self) -> FeedRates:
        crews = self.crews
        return self.known.of_feeds(self.grid, crews.on_temporary_feed, crews.found)

    @cached_property
    def _channels(self) -> dict[Channel, ChannelRates]:
        return {}

    @cached_property
    def astray(self) -> dict[Channel, Floats]:
        return {}

    def channel(self, channel: Channel) -> ChannelRates:
        if channel not in self._channels:
            self._channels[channel] = self.known.of_channel(self.grid, channel)
        return self._channels[channel]


@dataclass(frozen=True)
class Signs:
    """All that was observed and no repair has answered, found by light at once."""

    grid: Grid

    @classmethod
    def of(cls, register: Register) -> Signs:
        """Take what the register knows."""
        return cls(Grid(register))

    def with_lights_on(self, rather: Mapping[str, str]) -> Signs:
        """Return the same where some lights are on other circuits than on record."""
        return Signs(Grid(self.register, rather)) if rather else self

    def as_in(self, whole: Signs) -> Signs:
        """Return the same, with what only the whole town can tell taken from it."""
        vars(self)["heard"] = self.heard.as_in(whole.heard)
        return self

    @property
    def register(self) -> Register:
        """What stands, as known on the day."""
        return self.grid.register

    @cached_property
    def crews(self) -> Crews:
        """What crews tell who left the trouble open."""
        return Crews(self.grid)

    @cached_property
    def driven(self) -> Driven:
        """What patrols passed and did not note."""
        return Driven(self.grid)

    @cached_property
    def heard(self) -> Heard:
        """What was told of lights, and what of it is open."""
        return Heard(self.grid, self.crews, self.driven)

    @property
    def open(self) -> pd.DataFrame:
        """Every report and sighting that is still open and of no area, one a row."""
        return self.heard.open

    @cached_property
    def _told(self) -> _Told:
        told = self.heard.frame
        number = self.grid.light_ids.get_indexer(pd.Index(told["light_id"]))
        codes = pd.Index(SYMPTOMS).get_indexer(pd.Index(told["symptom"]))
        return _Told(
            number,
            told["at"].to_numpy(float),
            codes,
            told["seen"].to_numpy(bool),
            Lists.of(number, len(self.grid.lights)),
        )

    def told_dark(self, light_ids: pd.Index, since: float) -> set[str]:
        """Return which of some lights were said to be dark from an instant on."""
        told, at = self._told, self.grid.light_ids.get_indexer(light_ids)
        rows, which = told.of.pick(at)
        dark = np.isin(told.symptom[rows], _codes(DARK)) & (told.at[rows] >= since)
        return set(light_ids[np.unique(which[dark])])

    @cached_property
    def told_since(self) -> tuple[Ints, Floats]:
        """What was told since the last work: light, and when [instant]."""
        told, since = self._told, np.append(self._since[0], np.inf)
        fresh = told.at > since[told.light]
        return told.light[fresh], told.at[fresh]

    def lights_named(self, light_ids: Sequence[str]) -> pd.DataFrame:
        """Return lights in service, by identifier."""
        rows = self.grid.light_ids.get_indexer(pd.Index(light_ids, dtype=object))
        lights: pd.DataFrame = self._by_name.iloc[rows]
        return lights

    @cached_property
    def _by_name(self) -> pd.DataFrame:
        return self.grid.lights.set_index("light_id", drop=False)

    @cached_property
    def _rates(self) -> dict[int, _Rates]:
        return {}

    def rates_of(self, known: Experience) -> _Rates:
        """Return the rates of the network, worked out once."""
        return self._rates.setdefault(id(known), _Rates(known, self.grid, self.crews))

    def feed_rates(self, known: Experience) -> FeedRates:
        """Return the hazards of the feeds as they stand [1/year]."""
        return self.rates_of(known).feeds

    @property
    def now(self) -> int:
        """Until when anything is on record [instant]: what is later is not judged."""
        return self.heard.now

    @cached_property
    def silent(self) -> float:
        """Nights before ``now`` up to which silence of people tells something."""
        until = reach(self.register).reports
        return NEVER if until is None else max(self.now - until, 0) / DAY

    @cached_property
    def closed(self) -> Floats:
        """When a report of each light was last closed as answered [instant]."""
        said = answers(self.register)
        said = said[said["by_word"]].groupby("light_id")["happened"].max()
        at = said.astype(float).reindex(self.grid.light_ids).to_numpy(float)
        last: Floats = np.nan_to_num(at, nan=-np.inf)
        return last

    @cached_property
    def _since(self) -> tuple[Floats, Floats]:
        """When each light was last worked on or rewired; the chance that it slipped."""
        at, proven = self.grid.worked
        proven = proven & (at > self.grid.rewired)
        slip = np.where(proven, PROVEN_SLIP, np.nan)
        by_word = (self.closed == at) & (at > self.grid.rewired)
        slip = np.where(by_word, SAID_SLIP, slip)
        beside = feed_work_beside(self.grid, self.heard.told)
        since = np.maximum(at, self.grid.rewired)
        return np.maximum(since, beside), np.where(beside > since, BESIDE_SLIP, slip)

    def _looks(
        self, at: Ints, known: Experience, channel: Channel, told: tuple[Ints, Ints]
    ) -> Looks:
        """Return looks at some lights."""
        now, (rows, which) = self.now, told

        def looks(
            light: Ints, at: Floats, noted: Flags | bool, hit: Floats | float
        ) -> Looks:
            like = np.ones(len(light))
            noted = np.broadcast_to(noted, len(light))
            wrong = known.noted_wrongly * like
            return Looks(light, (now - at) / DAY, noted, hit * like, wrong)

        symptom, seen = self._told.symptom[rows], self._told.seen[rows]
        when = self._told.at[rows]
        mine = seen & np.isin(symptom, _codes(channel.symptoms))
        by_day = channel.patrol == "day"
        hit = DAY_HIT if by_day else self.rates_of(known).channel(channel).hit
        parts = [
            looks(*self.driven.passes(at, channel.patrol), noted=False, hit=hit),
            looks(which[mine], when[mine], noted=True, hit=hit),
        ]
        if channel.by_feed:
            lit = np.isin(symptom, _codes(tuple(_POWERED)))
            wrong = np.array([known.wrong.get(name, 0.0) for name in SYMPTOMS])[symptom]
            powered = np.where(seen, POWERED, 1 - wrong)[lit]
            parts.append(looks(which[lit], when[lit], noted=False, hit=powered))
            light, crew_at, dark = self.crews.looks
            position = np.full(len(self.grid.lights) + 1, -1)
            position[at] = np.arange(len(at))
            here = position[light] >= 0
            crews = looks(position[light[here]], crew_at[here], dark[here], CREW_HIT)
            parts.append(replace(crews, wrong=np.full(here.sum(), CREW_WRONG)))
        return Looks.joined(parts)

    @cached_property
    def readings(self) -> dict[Any, Any]:
        """Tests on circuits, kept by :func:`tested.readings`."""
        return {}

    def read_on(self, at: Ints) -> pd.DataFrame:
        """Return the tests of voltage at some lights and sections since work there."""
        return self.crews.read_since(at, self._since[0][at])

    def _astray(self, known: Experience, channel: Channel) -> Floats:
        """Return for every light the rate of reports meant for another [1/night]."""
        kept = self.rates_of(known).astray
        if channel not in kept:
            told, rates = self._told, self.rates_of(known).channel(channel)
            mine = np.isin(told.symptom, _codes(channel.symptoms)) & (told.light >= 0)
            light = told.light[mine]
            some = np.unique(light[told.at[mine] > self._since[0][light]])
            false, per_night = rates.false_per_night.sum(), rates.reported_per_night
            own = rates.own_per_night[some]
            kept[channel] = drawn(
                self.grid, some, own, false, per_night[some], known.misplaced
            )
        return kept[channel]

    def observed(
        self, at: Ints, known: Experience, channel: Channel = DARKNESS
    ) -> tuple[Lights, Looks, Tests, Again]:
        """Gather what was observed of some lights.

        Parameters
        ----------
        at
            Numbers of n lights.
        known
            Rates from the records.
        channel
            Which symptoms.
        """
        now, told = self.now, self._told
        since, slip = self._since[0][at], self._since[1][at]
        rows, which = told.of.pick(at)
        fresh = told.at[rows] > since[which]
        rows, which = rows[fresh], which[fresh]
        mine = np.isin(told.symptom[rows], _codes(channel.symptoms)) & ~told.seen[rows]
        light, first = np.unique(which[mine], return_index=True)
        first = rows[mine][first]
        age = np.full(len(at), np.nan)
        age[light] = (now - told.at[first]) / DAY
        words = np.zeros(len(at), dtype=int)
        order = np.argsort(_codes(channel.symptoms))
        words[light] = order[
            np.searchsorted(_codes(channel.symptoms)[order], told.symptom[first])
        ]
        rates = self.rates_of(known).channel(channel)
        looks = self._looks(at, known, channel, (rows, which))
        oldest = np.minimum((now - since) / DAY, night_edges()[0])
        looks = looks.chosen(looks.age < oldest[looks.light])
        per_night = rates.reported_per_night[at]
        astray = self._astray(known, channel)[at]
        begun = np.zeros(len(self.grid.circuits))
        np.maximum.at(begun, self.grid.circuit[at[light]], age[light])
        found = self.crews.found_alone[at] > since
        return (
            Lights(
                since=(now - since) / DAY,
                slip=np.where(np.isnan(slip), known.slip, slip),
                told=age,
                told_shared=rates.said_shared[words],
                told_own=rates.said_own[words],
                own_per_night=rates.own_per_night[at] * np.where(found, FOUND, 1.0),
                report_per_night=per_night,
                first_per_night=per_night * known.crowd.first,
                later_per_night=per_night * known.crowd.later,
                begun=begun[self.grid.circuit[at]],
                false_per_night=rates.false_per_night[words]
                + astray * rates.said_any[words],
                silent=np.full(len(at), self.silent),
                at_once=_at_once(self.grid.metres[at], age) & self.heard.timed,
                waited=known.waits.log_ratio(age if channel.by_feed else age * np.nan),
            ),
            looks,
            self.crews.tests(at, since, now),
            self._again(which[mine], rows[mine]),
        )

    def _again(self, light: Ints, rows: Ints) -> Again:
        """Return further reports of lights: the first of each later night, a few.

        Parameters
        ----------
        light, rows
            Position of the light and row of each report, by light in order of time.
        """
        at = self._told.at[rows]
        middle = float(np.degrees(self.grid.middle[0]))
        night = np.floor(at / DAY + middle / 360 - 0.5)
        begins = np.ones(len(light), dtype=bool)
        begins[1:] = (np.diff(light) != 0) | (np.diff(night) != 0)
        light, at = light[begins], at[begins]
        _, first, which = np.unique(light, return_index=True, return_inverse=True)
        number = np.arange(len(light)) - first[which]
        kept = (number > 0) & (number <= FURTHER)
        return Again(light[kept], (self.now - at[kept]) / DAY)


def _at_once(place: Floats, age: Floats) -> Flags:
    """Say which lights were told of with others near them, within minutes.

    Parameters
    ----------
    place
        Shape (n, 2): where the lights stand [m].
    age
        Shape (n,): nights since each was first told of, NaN if it was not.
    """
    found = np.zeros(len(age), dtype=bool)
    told = np.flatnonzero(np.isfinite(age))
    if len(told) > 1:
        scaled = np.column_stack([place[told] / CALL_M, age[told] / CALL_NIGHTS])
        near = KDTree(scaled).query_ball_point(scaled, 1.0, return_length=True)
        found[told] = near > 1
    return found


def _codes(symptoms: tuple[str, ...]) -> Ints:
    return np.array([SYMPTOMS.index(one) for one in symptoms], dtype=np.int64)
