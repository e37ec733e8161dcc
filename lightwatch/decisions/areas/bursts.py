"""Bursts of reports: lights of many circuits told of within hours and near each other.

A feed that fails darkens one circuit. When several circuits near each other are told of
within hours, where hardly one would be, one thing darkened them: the supply of the
area. Circuits count, not lights, so that one large fault is no burst.

Around each report lie cylinders of some radii and hours. In each the circuits told of
are held against those that the usual traffic would bring: the rate of the whole town,
by the lights within, the hour of the day and how busy the last weeks were. Counts vary
more than Poisson's; the rate of a day is gamma, so they are negative binomial [1]_. An
area outage tells of any number of the circuits within, each as likely, and of any
number of them by several or by many lights, where usually few are. The sum over
cylinders gives the posterior odds of one.

References
----------
.. [1] D. B. Neill, G. F. Cooper, Machine Learning 79 (2010) 261-282: Bayesian scan over
   space and time; the gamma-Poisson counts of D. B. Neill, A. W. Moore, G. F. Cooper,
   NIPS 18 (2006); from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree
from scipy.special import logsumexp

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

RADII_M = (300.0, 600.0, 1200.0, 2400.0, 4800.0)
HOURS = (3.0, 6.0, 12.0, 24.0, 48.0)

FEWEST = 2
"""Circuits that make an area."""

AGAIN_DAYS = 14.0
"""A light told of so soon after it was is no new trouble."""

ONE_DAYS = 2.0
"""Lights of one circuit told of within so long are one trouble of it."""

MANY = (2, 4)
"""So many lights of a circuit are several, and many."""

A_YEAR = 0.6
"""Area outages a year by a thousand lights; no source."""

SPREAD = 0.1
"""Least squared coefficient of variation of the rate of one place on one day."""

MARKS_LIKE = np.array([18.0, 1.0, 0.5])
"""Troubles seen beforehand, by how many of their lights were told of; no source."""

BUSY_DAYS, BUSY_LIKE = 28.0, 10.0


@dataclass(frozen=True)
class Starts:
    """First reports of trouble on circuits, n of them, in order of time.

    Parameters
    ----------
    at
        Shape (n,): when [days].
    place
        Shape (n, 2): where [m].
    circuit
        Shape (n,): of which circuit.
    more
        Shape (n, 2): when several lights of it had been told of, and when many had
        [days]; infinite for never, or not within ``ONE_DAYS`` of the one before.
    """

    at: Floats
    place: Floats
    circuit: Ints
    more: Floats

    @classmethod
    def of(cls, at: Floats, light: Ints, circuit: Ints, place: Floats) -> Starts:
        """Take the reports that begin a trouble, from all in order of time.

        Parameters
        ----------
        at, light
            Shape (m,): when [days], and of which light.
        circuit, place
            Of every light: its circuit; shape (lights, 2), where it stands [m].
        """
        kept = _since_last(at, light) > AGAIN_DAYS
        at, light = at[kept], light[kept]
        gap = _since_last(at, circuit[light])
        kept = gap > ONE_DAYS
        order = np.lexsort((at, circuit[light]))
        of = np.cumsum(kept[order])
        more = np.full((len(at), len(MANY)), np.inf)
        for column, many in enumerate(MANY):
            later = of[many - 1 :] == of[: len(of) - many + 1]
            more[order[: len(later)], column] = np.where(
                later, at[order[many - 1 :]], np.inf
            )
        return cls(at[kept], place[light[kept]], circuit[light[kept]], more[kept])


def starts_of(starts: Starts, at: Floats, circuit: Ints) -> Ints:
    """Return the starts that reports belong to, each once, in order of time.

    Parameters
    ----------
    starts
        All starts.
    at, circuit
        Shape (m,): when the reports came [days], and of which circuit.
    """
    order = np.lexsort((starts.at, starts.circuit))
    span = max(float(np.ptp(starts.at)), float(np.ptp(at))) + 1.0
    first = min(float(starts.at.min()), float(at.min()))
    key = starts.circuit[order] * 2 * span + starts.at[order] - first
    asked = circuit * 2 * span + at - first
    place = np.searchsorted(key, asked, "right") - 1
    found = order[np.maximum(place, 0)]
    mine = (place >= 0) & (starts.circuit[found] == circuit)
    return np.unique(found[mine])


def _since_last(at: Floats, owner: Ints) -> Floats:
    """Return how long after the one before of its owner each event came."""
    order = np.lexsort((at, owner))
    gap = np.diff(at[order], prepend=-np.inf)
    gap[np.diff(owner[order], prepend=-1) != 0] = np.inf
    since = np.empty(len(at))
    since[order] = gap
    return since


@dataclass(frozen=True)
class Burst:
    """Circuits told of together.

    Parameters
    ----------
    starts
        Positions of the reports that make it.
    since
        The first of them [days].
    middle, radius
        Where [m].
    expected
        Circuits that would be told of there in that time.
    log_odds
        Of one thing having darkened them.
    """

    starts: Ints
    since: float
    middle: tuple[float, float]
    radius: float
    expected: float
    log_odds: float


@dataclass(frozen=True)
class Traffic:
    """The usual traffic of reports.

    Parameters
    ----------
    starts
        All of them.
    opened, now
        From when until when they are on record [days].
    lights
        Shape (lights, 2): where every light stands [m].
    circuits
        How many circuits there are.
    east
        Longitude of the town, as a share of a day: its hours follow the sun.
    """

    starts: Starts
    opened: float
    now: float
    lights: Floats
    circuits: int
    east: float = 0.0

    @cached_property
    def _days(self) -> Ints:
        """Reports by day."""
        whole = np.floor(self.starts.at - self.opened).astype(int)
        days = max(int(np.ceil(self.now - self.opened)), 1)
        return np.bincount(np.clip(whole, 0, days - 1), minlength=days)

    @cached_property
    def per_light_day(self) -> float:
        """Troubles told of, by light and day."""
        days = max(self.now - self.opened, 1.0)
        return (len(self.starts.at) + 1.0) / (len(self.lights) * days)

    @cached_property
    def _alone(self) -> NDArray[np.bool_]:
        """Say which starts are of no area, as none beside them tells of several."""
        starts = self.starts
        several = np.isfinite(starts.more[:, 0])
        scaled = np.column_stack([starts.place / RADII_M[2], starts.at / ONE_DAYS])
        near = KDTree(scaled[several]).query_ball_point(scaled, 1.0, return_length=True)
        found: NDArray[np.bool_] = near - several < 1
        return found

    @cached_property
    def marks(self) -> Floats:
        """Shares of usual troubles of which one light, several and many are told of.

        Shape (hours, 3): within so many hours.
        """
        after = (self.starts.more - self.starts.at[:, None])[self._alone]
        more = (after[:, :, None] <= np.array(HOURS) / 24).sum(axis=0)
        rest = np.full(len(HOURS), len(after))
        count = np.column_stack([rest - more[0], more[0] - more[1], more[1]])
        count = count + MARKS_LIKE
        found: Floats = count / count.sum(axis=1, keepdims=True)
        return found

    @cached_property
    def spread(self) -> float:
        """Squared coefficient of variation of the rate of a day."""
        mean = float(self._days.mean())
        low, high = np.quantile(self._days, (0.1, 0.9))
        variance = ((high - low) / 2.563) ** 2
        return SPREAD + max(float(variance - mean) / max(mean, 1e-9) ** 2, 0.0)

    @cached_property
    def _hours(self) -> Floats:
        """Share of reports before each hour of the day."""
        hour = ((self.starts.at + self.east) % 1.0 * 24).astype(int)
        count = np.bincount(hour, minlength=24) + 0.02 * max(len(hour), 24)
        return np.concatenate([[0.0], np.cumsum(count / count.sum())])

    def passed(self, since: Floats, until: Floats) -> Floats:
        """Return how many usual days of reports lie between two times of days."""

        def up_to(at: Floats) -> Floats:
            local = at + self.east
            part = np.interp(local % 1.0, np.arange(25) / 24, self._hours)
            found: Floats = np.floor(local) + part
            return found

        return np.maximum(up_to(until) - up_to(since), 0.0)

    def busy(self, at: Floats) -> Floats:
        """Return how many more were told of in the weeks before than usually."""
        first, last = (
            np.searchsorted(self.starts.at, one) for one in (at - BUSY_DAYS, at)
        )
        usual = (
            self.per_light_day
            * len(self.lights)
            * np.minimum(BUSY_DAYS, np.maximum(at - self.opened, 1.0))
        )
        found: Floats = (last - first + BUSY_LIKE) / (usual + BUSY_LIKE)
        return found


@dataclass(frozen=True)
class _Cylinders:
    """Cylinders that begin at some reports, the anchors: A x radii x hours."""

    traffic: Traffic
    anchors: Ints

    @cached_property
    def pairs(self) -> tuple[Ints, Ints]:
        """Anchors, by position, with the starts near that came with or after them."""
        starts, anchors = self.traffic.starts, self.anchors
        at = starts.at[anchors]
        count = np.searchsorted(starts.at, at + HOURS[-1] / 24, "right") - anchors
        which = np.repeat(np.arange(len(anchors)), count)
        begun = np.cumsum(count) - count
        other = np.arange(len(which)) - np.repeat(begun - anchors, count)
        away = np.abs(starts.place[other] - starts.place[anchors[which]]).max(axis=1)
        near = away <= RADII_M[-1]
        return which[near], other[near]

    @cached_property
    def _cells(self) -> list[tuple[Ints, Ints, Ints]]:
        """For each pair its cylinder; those in which several and many lights are."""
        (which, other), starts = self.pairs, self.traffic.starts
        begun = starts.at[self.anchors[which]]
        away = np.linalg.norm(
            starts.place[other] - starts.place[self.anchors[which]], axis=1
        )
        ring = np.searchsorted(RADII_M, away)
        more = np.where(starts.more <= self.traffic.now, starts.more, np.inf)
        hours = np.array(HOURS) / 24
        return [
            (which, ring, np.searchsorted(hours, when - begun))
            for when in (starts.at[other], *more[other].T)
        ]

    @cached_property
    def _held(self) -> Floats:
        """Lights within each radius of each anchor."""
        near = KDTree(self.traffic.lights)
        place = self.traffic.starts.place[self.anchors]
        counts = [
            near.query_ball_point(place, radius, return_length=True)
            for radius in RADII_M
        ]
        return np.column_stack(counts).astype(float)

    @cached_property
    def expected(self) -> Floats:
        """Circuits that the usual traffic brings."""
        traffic = self.traffic
        at = traffic.starts.at[self.anchors]
        until = np.minimum(at[:, None] + np.array(HOURS) / 24, traffic.now)
        days = traffic.passed(np.repeat(at[:, None], len(HOURS), axis=1), until)
        rate = (traffic.per_light_day * traffic.busy(at))[:, None] * self._held
        found: Floats = np.maximum(rate, 1e-6)[:, :, None] * (days + 0.02)[:, None]
        return found

    def _counts(self, free: NDArray[np.bool_]) -> list[Floats]:
        """Circuits told of, those by several and those by many lights, of the free."""
        (_, other), found = self.pairs, []
        shape = (len(self.anchors), len(RADII_M), len(HOURS))
        for which, ring, span in self._cells:
            inside = free[other] & (ring < shape[1]) & (span < shape[2])
            total = np.zeros(shape)
            np.add.at(total, (which[inside], ring[inside], span[inside]), 1.0)
            found.append(total.cumsum(axis=1).cumsum(axis=2))
        return found

    def log_odds(self, free: NDArray[np.bool_]) -> Floats:
        """Return the log odds of an area outage in each."""
        from scipy.stats import multinomial, nbinom

        traffic, (counts, several, many) = self.traffic, self._counts(free)
        size = 1.0 / traffic.spread
        chance = nbinom.logpmf(counts, size, size / (size + self.expected))
        parts = np.stack([counts - several, several - many, many], axis=-1)
        chance += multinomial.logpmf(parts, counts, traffic.marks)
        share = (self._held / len(traffic.lights))[:, :, None]
        circuits = np.maximum(share * traffic.circuits, 1.0)
        told = -np.log(np.maximum(circuits, counts))
        told = told - np.log((counts + 1) * (counts + 2) / 2)
        a_day = A_YEAR * len(traffic.lights) / 1000 / 365
        prior = a_day * np.array(HOURS) / 24 * share
        prior = prior / (len(RADII_M) * len(HOURS))
        enough = (counts >= FEWEST) & (counts > self.expected) & (several > 0)
        enough &= free[self.anchors][:, None, None]
        found: Floats = np.where(enough, np.log(prior) + told - chance, -np.inf)
        return found

    def members(self, anchor: int, ring: int, span: int) -> Ints:
        """Return the starts within a cylinder."""
        which, other = self.pairs
        _, rings, spans = self._cells[0]
        found: Ints = other[(which == anchor) & (rings <= ring) & (spans <= span)]
        return found


def bursts(traffic: Traffic, anchors: Ints) -> Iterator[Burst]:
    """Yield the bursts that begin with some reports, the surest first.

    Reports of one are no part of the next.

    Parameters
    ----------
    traffic
        The usual traffic, with the reports in question.
    anchors
        Positions of the starts with which one may begin, in order of time.
    """
    starts = traffic.starts
    if not len(anchors):
        return
    free = np.ones(len(starts.at), dtype=bool)
    every = _Cylinders(traffic, anchors)
    odds = every.log_odds(free).reshape(len(anchors), -1)
    total = logsumexp(odds, axis=1)
    while total.max() > 0:
        i = int(total.argmax())
        ring, span = divmod(int(odds[i].argmax()), len(HOURS))
        some = every.members(i, ring, span)
        some = some[free[some]]
        free[some] = False
        middle = starts.place[some].mean(axis=0)
        yield Burst(
            some,
            float(starts.at[anchors[i]]),
            (float(middle[0]), float(middle[1])),
            float(np.linalg.norm(starts.place[some] - middle, axis=1).max()),
            float(every.expected[i, ring, span]),
            float(total[i]),
        )
        at, taken = starts.at[anchors], starts.at[some]
        near = (at >= taken.min() - HOURS[-1] / 24) & (at <= taken.max())
        again = _Cylinders(traffic, anchors[near]).log_odds(free)
        odds[near] = again.reshape(int(near.sum()), -1)
        total[near] = logsumexp(odds[near], axis=1)
