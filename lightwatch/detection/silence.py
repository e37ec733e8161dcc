r"""How long lights stay dark with nobody saying so.

People differ more than road classes and districts tell: one dark light is told of the
same evening, another never. Rates of reports are gamma distributed about that of the
place, with a spread of :math:`v`, so that the chance of no report within :math:`s` days
is :math:`S(s) = (1 + v \rho s)^{-1/v}` (Lomax [1]_): most are told of sooner, and some
much later, than at one rate. Both numbers are read off what came first, a report or a
patrol: of lights that fail at any time between two passes D days apart, a share
:math:`M(D) / D`, :math:`M = \int_0^D S`, waits for the second pass.

References
----------
.. [1] K. S. Lomax, Journal of the American Statistical Association 49 (1954), 847-852;
   from memory.
.. [2] G. H. Golub, J. H. Welsch, Mathematics of Computation 23 (1969), 221-230; from
   memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from lightwatch.detection.detection import Detection, detection
from lightwatch.detection.episodes import episodes, night_passes, of_faults
from lightwatch.kept import once
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.reach import reach
from lightwatch.words import DARK

Floats = NDArray[np.float64]

LIKE = 10.0
"""As many reports as the rate of further reports weighs; no source."""

USUAL_SPREAD = 0.5
"""Mean of the exponential distribution of the spread before any record; no source."""

LEAST, MOST = 1e-3, 10.0
"""The spread lies between."""

NODES = 6
OVERLOOKED = 2
"""A dark light is overlooked by so many passes at most."""

_ONE_ROUND = 0.01


@dataclass(frozen=True)
class Silence:
    """How rates of reports differ about those of symptom and place.

    Parameters
    ----------
    pace
        Mean rate of first reports against that of further ones.
    spread
        Variance of the rates of single lights over their squared mean.
    """

    pace: float = 1.0
    spread: float = LEAST

    @property
    def rates(self) -> tuple[Floats, Floats]:
        """Rates, against that of symptom and place, and the share of lights of each.

        Nodes of generalised Gauss-Laguerre quadrature, from its Jacobi matrix [2]_.
        """
        if self.spread <= LEAST:
            return np.array([self.pace]), np.ones(1)
        shape, order = 1.0 / self.spread, np.arange(NODES)
        beside = np.sqrt(order[1:] * (order[1:] + shape - 1.0))
        jacobi = np.diag(2.0 * order + shape) + np.diag(beside, 1) + np.diag(beside, -1)
        nodes, vectors = np.linalg.eigh(jacobi)
        return self.pace * nodes / shape, vectors[0] ** 2


def untold(rate: Floats, spread: float, days: Floats) -> tuple[Floats, Floats]:
    r"""Return the chance of no report within some days, and its integral [days].

    Parameters
    ----------
    rate
        Mean rate of reports [1/day].
    spread
        Variance of rates over their squared mean.
    days
        Since the light went dark.
    """
    grown = np.log1p(spread * rate * days)
    power = 1.0 - 1.0 / spread
    area = (
        grown / (spread * rate)
        if abs(power) < 1e-9
        else np.expm1(power * grown) / (spread * rate * power)
    )
    return np.exp(-grown / spread), area


@dataclass(frozen=True)
class Firsts:
    """What came first of n troubles, a report or a night patrol.

    ``gap``, from the last pass that noted nothing to the next; ``after``, from that
    pass to the notice [days]; ``seen``: noticed by a patrol; ``rate``: of reports, as
    symptom and place tell [1/day].
    """

    gap: Floats
    after: Floats
    seen: NDArray[np.bool_]
    rate: Floats

    def against(self, pace: float, spread: float, hit: float) -> float:
        """Return the negative log-likelihood; ``hit``: a pass notes a dark light.

        Lights fail at any time, most between these two passes, some before the first
        of them and were overlooked: as many passes before, each so long ago as the
        next lies ahead.
        """
        rate, missed = pace * self.rate, 1.0 - hit
        earlier, _ = untold(rate, spread, self.after)
        waiting, found = np.zeros(len(rate)), np.zeros(len(rate))
        told = 1.0 - earlier
        for passes in range(OVERLOOKED + 1):
            silent, _ = untold(rate, spread, self.after + (passes + 1) * self.gap)
            _, area = untold(rate, spread, (passes + 1) * self.gap)
            found += hit * missed**passes * (area - waiting)
            told += missed ** (passes + 1) * (earlier - silent)
            earlier, waiting = silent, area
        first = np.where(self.seen, found, told)
        return -float(np.log(np.maximum(first, 1e-12) / self.gap).sum())


def _firsts(register: Register, detected: Detection) -> Firsts:
    """Return first notices of lights out by themselves, where patrols pass."""
    frame = of_faults(episodes(register))
    frame = frame[frame["symptom"].isin(DARK) & np.isfinite(frame["passed"])]
    began, noticed = frame["passed"].to_numpy(float), frame["noticed"].to_numpy(float)
    following, _ = night_passes(register).at(frame["road_id"]).next(began + _ONE_ROUND)
    until = (reach(register).patrols or register.as_of) / DAY
    ends = np.maximum(np.where(np.isfinite(following), following, until), noticed)
    seen = frame["by_patrol"].to_numpy(bool)
    gap = np.where(seen, noticed, ends) - began
    rate = detected.reported_per_day(frame["light_id"], "out")
    used = noticed > began
    return Firsts(gap[used], (noticed - began)[used], seen[used], rate[used])


def fitted(firsts: Firsts, hit: float) -> Silence:
    """Return the likeliest pace and spread, each drawn to what is usual.

    Parameters
    ----------
    firsts
        What came first of each trouble.
    hit
        Chance that a passing patrol notes a dark light.
    """
    if not firsts.seen.any():
        return Silence()

    def against(logs: Floats) -> float:
        pace, spread = np.exp(logs)
        before = LIKE * logs[0] ** 2 / 2 + spread / USUAL_SPREAD
        return float(before + firsts.against(pace, spread, hit))

    limits = ((-3.0, 3.0), (np.log(LEAST), np.log(MOST)))
    found = minimize(against, [0.0, np.log(USUAL_SPREAD)], bounds=limits)
    pace, spread = np.exp(found.x)
    return Silence(float(pace), float(spread))


@once
def silence(register: Register) -> Silence:
    """Read off the records how long lights stay dark with nobody saying so.

    Where no patrol found one, rates are those of symptom and place.
    """
    detected = detection(register)
    return fitted(_firsts(register, detected), detected.hit_chance("out"))
