"""Areas: many circuits without supply at once are another's fault, or a storm.

Each circuit counts by the probability that its source is dead. A scan over circles of
neighbouring circuits and recent nights says whether more of them than chance would are
near each other and began together. Chance is judged by dealing the suspected circuits'
places anew: how likely each is and since when stays, so that a night on which everybody
calls is no alarm by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lightwatch.decisions.areas.chance import believed, gumbel_tail
from lightwatch.decisions.areas.scan import Cluster, Scan
from lightwatch.nights import DAY
from lightwatch.observations.known import Known
from lightwatch.register import Register
from lightwatch.register.register import EARTH_RADIUS_M

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WINDOWS = (2.0, 4.0, 7.0, 14.0)
"""Nights up to now in which the trouble of an area began."""

FEWEST = 3
"""Circuits that make an area."""

LEAST = 0.02
"""A circuit less likely than this to have a dead source does not count. One that
counts is rather dead than not, once it is known that its neighbours are."""

OTHERS = 0.5
"""An area needs as much besides its likeliest circuit: no single fault explains it."""

REPLICATES = 99
ALARM = 0.01
"""Clusters less likely by chance are areas; of a hundred mornings one is wrong."""

PRIOR, PRIOR_IN_STORM = 0.01, 0.1
"""Probability that an area is dark on a morning, usually and after a storm; a few
mornings a year, no source."""

STORM_SHARE = 0.99
"""A day gustier than this share of all days is a storm; no source."""


@dataclass(frozen=True)
class Suspected:
    """Circuits of which something dark is open, m of them.

    Parameters
    ----------
    circuit_ids
        Their names.
    chance
        Shape (m,): probability that the source is dead, whatever the cause.
    since
        Shape (m,): since about when [instant].
    """

    circuit_ids: tuple[str, ...]
    chance: Floats
    since: Floats


@dataclass(frozen=True)
class Area:
    """Circuits that came to be dark together.

    Parameters
    ----------
    circuit_ids
        Suspected circuits within.
    since, until
        When the first and the last of them came to be dark, about.
    observed, expected
        Circuits with a dead source within, by their probabilities; as many as chance
        would bring there.
    p_value
        Chance that as much would come together by chance anywhere.
    probability
        That one thing darkened a circuit of it: that it is not chance, less the share
        that chance would have.
    gust_kmh
        Strongest gust about the time of the first, if it was a storm.
    """

    circuit_ids: tuple[str, ...]
    since: datetime
    until: datetime
    observed: float
    expected: float
    p_value: float
    probability: float
    gust_kmh: float | None = None


@dataclass(frozen=True)
class Town:
    """Suspected circuits among all n that have lights in service.

    Parameters
    ----------
    place
        Shape (n, 2): the middle of each circuit's lights, east and north [m].
    circuit, chance, age
        Shape (m,): position of a suspected circuit, probability that its source is
        dead, nights since when.
    """

    place: Floats
    circuit: Ints
    chance: Floats
    age: Floats

    @cached_property
    def scan(self) -> Scan:
        """Circles of circuits; of each the same is expected."""
        total = self.counts(self.circuit).sum(axis=0)
        n = len(self.place)
        expected = np.broadcast_to(total / n, (n, len(WINDOWS)))
        return Scan(self.place, expected, total, fewest=FEWEST)

    def counts(self, circuit: Ints) -> Floats:
        """Return dead sources by circuit and window, were these the circuits."""
        within = self.chance[:, None] * (self.age[:, None] < np.array(WINDOWS))
        found = np.zeros((len(self.place), len(WINDOWS)))
        np.add.at(found, circuit, within)
        return found

    def within(self, cluster: Cluster) -> Ints:
        """Return which of the suspected circuits lie in a cluster."""
        recent = self.age < WINDOWS[cluster.window]
        return np.flatnonzero(np.isin(self.circuit, cluster.places) & recent)

    def alarms(self, rng: np.random.Generator) -> list[tuple[Cluster, float]]:
        """Return clusters that are hardly chance, each with its p-value."""
        clusters = list(self.scan.clusters(self.counts(self.circuit)))
        if not clusters:
            return []
        chance = np.array([self.dealt(rng) for _ in range(REPLICATES)])
        found = []
        for one in clusters:
            p_value = gumbel_tail(chance, one.log_ratio)
            others = one.cases - float(self.chance[self.within(one)].max())
            if p_value <= ALARM and others >= OTHERS:
                found.append((one, p_value))
        return found

    def dealt(self, rng: np.random.Generator) -> float:
        """Return the greatest log-ratio were the suspected circuits anywhere."""
        anywhere = rng.integers(len(self.place), size=len(self.circuit))
        return self.scan.greatest(self.counts(anywhere))


def _places(register: Register) -> tuple[dict[str, int], Floats]:
    """Return circuits with lights in service, and the middle of each [m]."""
    lights = register.standing
    lights = lights[lights["circuit_id"] != ""]
    middle = lights.groupby("circuit_id")[["longitude", "latitude"]].mean()
    radians = np.radians(middle.to_numpy(float))
    centre = radians.mean(axis=0) if len(radians) else np.zeros(2)
    metres = (radians - centre) * EARTH_RADIUS_M * np.array([np.cos(centre[1]), 1.0])
    return {name: i for i, name in enumerate(middle.index)}, metres


def gust_about(known: Known, since: float) -> float | None:
    """Return the strongest gust about that time, if it was a storm [km/h]."""
    weather = known.weather.dropna(subset=["gust_kmh"])
    daily = weather.groupby("happened")["gust_kmh"].max()
    about = daily[(daily.index > since - 3 * DAY) & (daily.index <= since + DAY)]
    if about.empty or about.max() < daily.quantile(STORM_SHARE):
        return None
    return float(about.max())


def _area(
    register: Register, suspected: Suspected, within: Ints, found: Cluster, p: float
) -> Area:
    since = suspected.since[within]
    gust = gust_about(register.known, float(since.min()))
    prior = PRIOR if gust is None else PRIOR_IN_STORM
    clock = register.known.clock
    return Area(
        tuple(sorted(suspected.circuit_ids[i] for i in within)),
        clock.at(int(since.min())),
        clock.at(int(since.max())),
        found.cases,
        found.expected,
        p,
        believed(p, prior) * (1 - found.expected / found.cases),
        gust,
    )


def areas(register: Register, suspected: Suspected, seed: int = 0) -> list[Area]:
    """Return areas whose circuits came to be dark together, the clearest first.

    Parameters
    ----------
    register
        As known on a day.
    suspected
        Circuits and how likely their source is dead.
    seed
        Of the worlds in which only chance is at work.
    """
    number, place = _places(register)
    circuit = np.array([number.get(name, -1) for name in suspected.circuit_ids], int)
    kept = np.flatnonzero((circuit >= 0) & (suspected.chance >= LEAST))
    if len(kept) < FEWEST:
        return []
    age = (register.as_of - suspected.since[kept]) / DAY
    town = Town(place, circuit[kept], suspected.chance[kept], age)
    return [
        _area(register, suspected, kept[town.within(found)], found, p_value)
        for found, p_value in town.alarms(np.random.default_rng(seed))
    ]
