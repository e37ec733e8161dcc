"""Areas: many circuits dark at once are another's supply, or a storm.

A scan over circles of neighbouring circuits and recent nights says whether more
circuits than chance would have came to be reported dark near each other and together.
Chance is judged by dealing what each circuit had to circuits drawn by how often they
usually have reports: the nights stay, only the places change, so that a night on which
everybody calls is no alarm by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.areas.chance import believed, gumbel_tail, upper_cusum
from lightwatch.decisions.areas.scan import Cluster, Scan
from lightwatch.decisions.areas.told import STUDIED_NIGHTS, Told, told
from lightwatch.nights import DAY
from lightwatch.observations.known import Known
from lightwatch.register import Register
from lightwatch.words import DARK

Floats = NDArray[np.float64]

WINDOWS = (1.0, 2.0, 3.0, 5.0, 7.0)
"""Nights up to now that are looked at."""

FEWEST = 3
"""Circuits that make an area."""

REPLICATES = 59
ALARM = 0.01
"""Clusters less likely by chance are areas; of a hundred mornings one is wrong."""

NO_ALARM = 4.0
"""Log-ratios below this never come to be rarer than ``ALARM``."""

PRIOR, PRIOR_IN_STORM = 0.01, 0.1
"""Probability that an area is dark on a morning, usually and after a storm; a few
mornings a year, no source."""

STORM_SHARE = 0.99
"""A day gustier than this share of all days is a storm; no source."""

SLACK = 0.5
"""Of the cumulative sum of nightly reports, in standard deviations."""


@dataclass(frozen=True)
class Area:
    """Circuits that came to be dark together.

    Parameters
    ----------
    circuit_ids
        Circuits within on which something dark is open.
    since, until
        First and last new report within.
    observed, expected
        New reports of dark lights within, of each circuit two at most.
    p_value
        Chance that as much would come together by chance anywhere.
    probability
        That one thing darkened a circuit of it: that it is not chance, less the share
        that chance would have.
    gust_kmh
        Strongest gust on the day of the first report or the day before, if it was a
        storm.
    """

    circuit_ids: tuple[str, ...]
    since: datetime
    until: datetime
    observed: int
    expected: float
    p_value: float
    probability: float
    gust_kmh: float | None = None


def _scan(of: Told) -> Scan:
    total = float(len(of.recent[0]))
    share = np.array(WINDOWS) / STUDIED_NIGHTS
    return Scan(of.place, total * of.usual()[:, None] * share, total, fewest=FEWEST)


def _counts(circuit: NDArray[np.int64], age: Floats, n: int) -> Floats:
    """Count reports by circuit and window: shape (n, W)."""
    found = np.zeros((n, len(WINDOWS)))
    for w, nights in enumerate(WINDOWS):
        found[:, w] = np.bincount(circuit[age < nights], minlength=n)
    return found


def _dealt(of: Told, rng: np.random.Generator) -> Callable[[], Floats]:
    """Return how to deal what each circuit had to circuits drawn anew."""
    circuit, age = of.recent
    holder, hand = np.unique(circuit, return_inverse=True)
    steps, n = np.cumsum(of.usual()), len(of.circuit_ids)

    def deal() -> Floats:
        drawn = np.searchsorted(steps, rng.random(holder.size) * steps[-1])
        return _counts(np.minimum(drawn, n - 1)[hand], age, n)

    return deal


def is_busy(of: Told) -> bool:
    """Tell whether the city has had more new reports of late than it usually has."""
    nightly = of.nightly()
    usual = max(float(nightly[: -int(WINDOWS[-1])].mean()), 1e-9)
    sums = upper_cusum((nightly - usual) / np.sqrt(usual), SLACK)
    return bool(sums[-int(WINDOWS[-1]) :].max() > 0)


def _gust(known: Known, since: int) -> float | None:
    """Return the strongest gust about that day, if it was a storm [km/h]."""
    weather = known.weather.dropna(subset=["gust_kmh"])
    daily = weather.groupby("happened")["gust_kmh"].max()
    about = daily[(daily.index > since - 2 * DAY) & (daily.index <= since)]
    if about.empty or about.max() < daily.quantile(STORM_SHARE):
        return None
    return float(about.max())


def _area(
    register: Register, of: Told, cluster: Cluster, p_value: float, dark: set[str]
) -> Area | None:
    """Put an area together; None if what is open in it is on too few circuits."""
    circuit, age = of.recent
    within = np.isin(circuit, cluster.places) & (age < WINDOWS[cluster.window])
    names = {of.circuit_ids[i] for i in circuit[within]} & dark
    if len(names) < FEWEST:
        return None
    at = np.sort(register.as_of - age[within] * DAY)
    gust = _gust(register.known, int(at[0]))
    prior = PRIOR if gust is None else PRIOR_IN_STORM
    beyond = 1 - cluster.expected / cluster.cases
    clock = register.known.clock
    return Area(
        tuple(sorted(names)),
        clock.at(int(at[0])),
        clock.at(int(at[-1])),
        int(cluster.cases),
        cluster.expected,
        p_value,
        believed(p_value, prior) * beyond,
        gust,
    )


def areas(register: Register, troubles: pd.DataFrame, seed: int = 0) -> list[Area]:
    """Return areas whose circuits came to be dark together, the clearest first.

    Parameters
    ----------
    register
        As known on a day.
    troubles
        What is open: ``light_id``, ``symptom``.
    seed
        Of the worlds in which only chance is at work.
    """
    of = told(register)
    if len(of.recent[0]) < FEWEST or not is_busy(of):
        return []
    scan = _scan(of)
    found = list(scan.clusters(_counts(*of.recent, len(of.circuit_ids)), NO_ALARM))
    if not found:
        return []
    deal = _dealt(of, np.random.default_rng(seed))
    replicates = np.array([scan.greatest(deal()) for _ in range(REPLICATES)])
    out = troubles.loc[troubles["symptom"].isin(DARK), "light_id"]
    lights = register.standing
    dark = set(lights.loc[lights["light_id"].isin(set(out)), "circuit_id"])
    made = (
        _area(register, of, cluster, gumbel_tail(replicates, cluster.log_ratio), dark)
        for cluster in found
    )
    return [area for area in made if area and area.p_value <= ALARM]
