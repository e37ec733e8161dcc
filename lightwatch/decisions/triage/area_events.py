"""Area outages: what one burst of reports tells of, and whether it is over.

An area comes back by itself and nobody writes a repair for each of its lights. That it
is over shows in the reports that cease, in patrols that pass and note nothing, and in
restorations on record. The end is drawn from how long outages of supply usually last
(lognormal, drawn to the restorations on record), weighed by all of these: reports come
at one rate until the end and at the usual one after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree
from scipy.special import gammaln, ndtr

from lightwatch.decisions.areas.alarm import gust_about
from lightwatch.decisions.areas.bursts import Burst, Starts, Traffic, bursts, starts_of
from lightwatch.decisions.triage.driven import Driven
from lightwatch.decisions.triage.grid import Grid
from lightwatch.detection import detection
from lightwatch.nights import DAY
from lightwatch.words import DARK, UNANSWERED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

ON_RECORD = 0.5
"""Where fewer lights are on a circuit on record, several feeds dark cannot be told from
one large one: no area is named."""

LISTED_DAYS = 14.0
"""An area that is over is listed for so long after its last report."""

LATE_DAYS = 1.5
"""Who saw it dark calls so late, at most: common practice, no source. What is told of
later is damage."""

NEAR_M, OWN_M = 350.0, 1050.0
"""Lights so near to one that was told of belong to the area, and those so near on its
circuit: common practice, no source."""

EDGE_M, EDGE_DAYS = 700.0, 0.25
"""Circuits of which several lights were told of so near to an area and within so long
of it are of it, too: common practice, no source."""

USUAL_DAYS, USUAL_SPREAD, USUAL_LIKE = 0.75, 1.0, 4.0
"""Median length of an outage of supply, spread of its logarithm, and as good as so many
seen; no source."""

MOST_SEEN = 20.0
_ENDS = np.arange(1, 601) * 0.05
"""Ends that are looked at [days after the first report]."""

_FIRST_RATE = 0.05
"""Reports a usual day, in days, that the rate of an area is drawn to."""

_LOOKS = 4
"""No more looks than this count: lights of one road were seen by one pair of eyes."""


@dataclass(frozen=True)
class AreaEvent:
    """An area whose lights were told of together.

    Parameters
    ----------
    rows
        Index of what is told of it.
    lights
        Numbers of the lights told of.
    circuits
        Names of their circuits.
    since, last, end
        First and last report, and when it was over or, if it is not, the register's day
        [instants].
    expected
        Circuits that chance would have brought.
    probability
        That one thing darkened them.
    still
        That it is still dark, if so.
    gust_kmh
        Strongest gust about then, if it was a storm.
    """

    rows: tuple[int, ...]
    lights: tuple[int, ...]
    circuits: tuple[str, ...]
    since: int
    last: int
    end: int
    expected: float
    probability: float
    still: float
    gust_kmh: float | None = None


@dataclass(frozen=True)
class _Found:
    """Bursts that are one area."""

    starts: Ints
    since: float
    expected: float
    log_odds: float


def _merged(some: Sequence[Burst]) -> list[_Found]:
    """Put bursts together that are near in time and place."""
    touch = [[_touch(one, other) for other in some] for one in some]
    count, of = connected_components(np.array(touch).reshape(len(some), -1))
    groups = [[some[int(i)] for i in np.flatnonzero(of == k)] for k in range(count)]
    return [
        _Found(
            np.concatenate([one.starts for one in group]),
            min(one.since for one in group),
            max(one.expected for one in group),
            max(one.log_odds for one in group),
        )
        for group in groups
    ]


def _touch(one: Burst, other: Burst) -> bool:
    away = np.hypot(*np.subtract(one.middle, other.middle))
    return bool(
        abs(one.since - other.since) <= 2.0
        and away <= one.radius + other.radius + 2 * NEAR_M
    )


def _grown(found: _Found, traffic: Traffic, anchors: Ints) -> _Found:
    """Add circuits at its edge of which several lights were told of with it.

    The scan takes whole circles; an area ends where it does.
    """
    starts, mine = traffic.starts, found.starts
    rest = np.setdiff1d(anchors, mine)
    rest = rest[starts.more[rest, 0] <= np.minimum(starts.at[rest] + 1, traffic.now)]
    while len(rest):
        begun, last = starts.at[mine].min(), starts.at[mine].max()
        at = starts.at[rest]
        away, _ = KDTree(starts.place[mine]).query(starts.place[rest])
        joins = (at >= begun - EDGE_DAYS) & (at <= last + EDGE_DAYS)
        joins &= away <= EDGE_M
        if not joins.any():
            break
        mine, rest = np.append(mine, rest[joins]), rest[~joins]
    return replace(found, starts=mine, since=float(starts.at[mine].min()))


def _lengths(grid: Grid, since: int, circuits: Sequence[str]) -> tuple[float, float]:
    """Return median length [days] and spread of its logarithm, as restored so far.

    Restorations that name a report tell of the past; those of the area's circuits of
    this time.
    """
    known = grid.register.known
    repairs = known.repairs[
        (known.repairs["cause"] == "supply") & ~known.repairs["action"].isin(UNANSWERED)
    ]
    told = repairs["report_id"].map(known.reports.set_index("report_id")["happened"])
    past = ((repairs["happened"] - told) / DAY).dropna().to_numpy(float)
    past = past[(past > 0.02) & (past < 60)][-int(MOST_SEEN) :]
    mine = repairs["circuit_id"].isin(set(circuits)) & (repairs["happened"] > since)
    now = (repairs.loc[mine, "happened"].to_numpy(float) - since) / DAY
    seen = np.log(np.maximum(np.concatenate([past, np.repeat(now, 3)]), 0.02))
    n = len(seen)
    middle = (USUAL_LIKE * np.log(USUAL_DAYS) + seen.sum()) / (USUAL_LIKE + n)
    square = USUAL_LIKE * USUAL_SPREAD**2 + ((seen - middle) ** 2).sum()
    return float(np.exp(middle)), float(np.sqrt(square / (USUAL_LIKE + n)))


@dataclass(frozen=True)
class _Areas:
    """What is told of lights, and the traffic that it makes."""

    grid: Grid
    driven: Driven
    told: pd.DataFrame
    """Reports and sightings in order of time: ``light_id``, ``at``, ``symptom``..."""
    light: Ints
    dark: Flags
    now: int
    traffic: Traffic

    @classmethod
    def of(cls, grid: Grid, driven: Driven, told: pd.DataFrame, now: int) -> _Areas:
        """Take what was told, in order of time."""
        light = grid.light_ids.get_indexer(pd.Index(told["light_id"]))
        said = told["symptom"].isin(DARK).to_numpy() & ~told["seen"].to_numpy(bool)
        dark = said & (light >= 0)
        at = told["at"].to_numpy(float) / DAY
        starts = Starts.of(at[dark], light[dark], grid.unit, grid.metres)
        traffic = Traffic(
            starts,
            max(float(at.min()), grid.register.known.opened / DAY),
            now / DAY,
            grid.metres,
            int(grid.unit.max()) + 1 if len(grid.unit) else 0,
            float(grid.lights["longitude"].mean()) / 360 if len(light) else 0.0,
        )
        return cls(grid, driven, told, light, dark, now, traffic)

    def event(self, found: _Found) -> AreaEvent:
        """Say what is told of an area, and until when."""
        grid, starts = self.grid, self.traffic.starts
        away, _ = KDTree(starts.place[found.starts]).query(grid.metres)
        units = np.isin(grid.unit, starts.circuit[found.starts])
        inside = away <= np.where(units, OWN_M, NEAR_M)
        at = self.told["at"].to_numpy(float) / DAY
        mine = self.dark & (at >= found.since - 1e-9) & inside[self.light]
        mine &= (self.told["danger"] == "").to_numpy()
        circuits = self._circuits(np.unique(self.light[mine]))
        since = int(found.since * DAY)
        chance = self._ends(at[mine], self.light[mine], inside, since, circuits)
        ends = found.since + _ENDS
        today = grid.register.as_of
        open_now = ends * DAY > today
        still = float(chance[open_now].sum())
        over = np.where(open_now, 0.0, chance)
        end = today
        if still <= 0.5:
            at_half = np.searchsorted(np.cumsum(over), over.sum() / 2)
            end = int(ends[at_half] * DAY)
        rows = np.flatnonzero(mine | self._seen_dark(inside, found.since))
        rows = rows[at[rows] * DAY <= end + LATE_DAYS * DAY]
        gust = gust_about(grid.register.known, float(since))
        odds = found.log_odds + (np.log(20.0) if gust is not None else 0.0)
        lights = np.unique(self.light[rows])
        return AreaEvent(
            tuple(self.told.index[rows].tolist()),
            tuple(lights.tolist()),
            self._circuits(lights),
            since,
            int(at[rows].max() * DAY) if len(rows) else since,
            end,
            found.expected,
            float(1 / (1 + np.exp(-odds))),
            still,
            gust,
        )

    def _seen_dark(self, inside: Flags, since: float) -> Flags:
        """Say which sightings of dark lights may be of an area."""
        seen = self.told["seen"].to_numpy(bool) & (self.light >= 0)
        seen &= self.told["symptom"].isin(DARK).to_numpy()
        at = self.told["at"].to_numpy(float) / DAY
        found: Flags = seen & inside[self.light] & (at >= since)
        return found

    def _circuits(self, lights: Ints) -> tuple[str, ...]:
        """Name the circuits on record of some lights."""
        lights = lights[self.grid.on_record[lights]]
        return tuple(sorted(set(self.grid.circuits[self.grid.circuit[lights]])))

    def _ends(
        self,
        at: Floats,
        light: Ints,
        inside: Flags,
        since: int,
        circuits: Sequence[str],
    ) -> Floats:
        """Return the probability of each end of ``_ENDS``."""
        traffic, begun = self.traffic, since / DAY
        now = self.now / DAY
        _, first = np.unique(light, return_index=True)
        first = np.sort(at[first])
        ends = np.asarray(begun + _ENDS, dtype=np.float64)
        until = np.minimum(ends, now)
        number = np.searchsorted(first, until, "right")
        nights = traffic.passed(np.full(len(ends), begun), until) + _FIRST_RATE
        log = gammaln(1 + number) - (1 + number) * np.log(nights)
        usual = traffic.per_light_day * inside.sum()
        rest = len(first) - number
        log += rest * np.log(usual) - usual * traffic.passed(
            until, np.full(len(ends), now)
        )
        median, spread = _lengths(self.grid, since, circuits)
        edges = np.concatenate([[0.0], _ENDS])
        with np.errstate(divide="ignore"):
            below = ndtr((np.log(edges) - np.log(median)) / spread)
        log += np.log(np.maximum(np.diff(below), 1e-12))
        log += self._looked(light, ends, since)
        chance = np.exp(log - log.max())
        found: Floats = chance / chance.sum()
        return found

    def _looked(self, light: Ints, ends: Floats, since: int) -> Floats:
        """Return the log-likelihood of what patrols saw of its lights, by its end."""
        lights = np.unique(light)
        hit = min(detection(self.grid.register).hit_chance("out"), 0.98)
        _, passed = self.driven.passes(lights, "night")
        every = np.isin(np.arange(len(self.grid.lights)), lights)
        noted = self.told["at"].to_numpy(float)[self._seen_dark(every, since / DAY)]
        log = np.zeros(len(ends))
        for at, dark in ((passed, False), (noted, True)):
            fresh = np.sort(at[(at > since) & (at <= self.now)])[-_LOOKS:]
            for one in fresh:
                on = ends * DAY > one
                if dark:
                    log += np.where(on, np.log(hit), np.log(0.02))
                else:
                    log += np.where(on, np.log(1 - hit), np.log(0.98))
        return log


def area_events(
    grid: Grid, driven: Driven, told: pd.DataFrame, unanswered: Flags, now: int
) -> tuple[AreaEvent, ...]:
    """Return areas that came dark, those likelier than not.

    Parameters
    ----------
    grid
        The network.
    driven
        What patrols passed.
    told
        Reports and sightings: ``light_id``, ``at`` [instant], ``symptom``, ``danger``,
        ``seen`` (by a patrol). Every report ever told, so that the usual traffic is
        known.
    unanswered
        Which of them no work has answered; an area has some, however long ago it was.
    now
        Until when anything is on record [instant].
    """
    if not len(told) or not len(grid.lights) or grid.on_record.mean() < ON_RECORD:
        return ()
    told = told.assign(unanswered=unanswered).sort_values("at", kind="stable")
    areas = _Areas.of(grid, driven, told, now)
    mine = areas.dark & told["unanswered"].to_numpy()
    if not mine.any():
        return ()
    anchors = starts_of(
        areas.traffic.starts,
        told["at"].to_numpy(float)[mine] / DAY,
        grid.unit[areas.light[mine]],
    )
    found = list(bursts(areas.traffic, anchors))
    whole = [
        _grown(one, areas.traffic, anchors) for one in (_merged(found) if found else ())
    ]
    events = [areas.event(one) for one in whole]
    return tuple(one for one in events if one.probability > 0.5 and one.rows)
