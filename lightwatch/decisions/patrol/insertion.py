"""The plan at once: streets put in one by one, each time the most worth for the time.

For each crew and heading the cheapest place in the route so far is kept, and looked for
anew only where the place has been taken.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightwatch.decisions.patrol.network import Seconds
from lightwatch.decisions.patrol.problem import Floats, Ints, Problem, Routes

EVEN = 0.9
"""Crews are even if the shortest route takes this share of the longest."""

KEPT = 0.995
"""Share of the finds that an even share-out must keep."""

_LEAST_S = 1e-3


class _Route:
    """One crew's route as it grows; gap i lies before stop i + 1."""

    def __init__(
        self, problem: Problem, look_s: Seconds, route: tuple[int, ...]
    ) -> None:
        self.problem, self.look_s = problem, look_s
        self.stops = [0, *route, 0]
        self.left_s = problem.budget_s - problem.seconds(route)
        self.gaps = [self._costs(i) for i in range(len(self.stops) - 1)]
        self._search(np.arange(len(look_s)))

    def _costs(self, gap: int) -> Seconds:
        """Return the time that each heading would add in a gap [s]."""
        before, after = self.stops[gap], self.stops[gap + 1]
        drive = self.problem.drive_s
        added: Seconds = drive[before] + drive[:, after] - drive[before, after]
        return added + self.look_s

    def _search(self, which: Ints) -> None:
        if len(which) == len(self.look_s):
            self.cost = np.full(len(which), np.inf, dtype=np.float32)
            self.gap = np.zeros(len(which), dtype=np.int64)
        self.cost[which] = np.inf
        for i, costs in enumerate(self.gaps):
            better = which[costs[which] < self.cost[which]]
            self.cost[better], self.gap[better] = costs[better], i

    def insert(self, heading: int) -> None:
        """Put a heading into its cheapest gap."""
        gap = int(self.gap[heading])
        self.left_s -= max(float(self.cost[heading]), 0.0)
        self.stops.insert(gap + 1, heading)
        taken = np.flatnonzero(self.gap == gap)
        self.gap[self.gap > gap] += 1
        self.gaps[gap : gap + 1] = [self._costs(gap), self._costs(gap + 1)]
        for i in (gap, gap + 1):
            costs = self.gaps[i]
            better = costs < self.cost
            self.cost[better], self.gap[better] = costs[better], i
        self._search(taken)


def insert_all(
    problem: Problem, routes: Routes = (), *, duties_first: bool = True
) -> Routes:
    """Return routes with streets put in until nothing more fits.

    What is asked for goes in first, then what was not seen for too long, then the rest
    by worth for the time that it adds.

    Parameters
    ----------
    problem
        What to choose from.
    routes
        Routes to begin with; blank: none.
    duties_first
        Whether duties go before worth.
    """
    look = np.append(problem.look_s, 0.0)[problem.task].astype(np.float32)
    started = [*routes, *((),) * (problem.crews - len(routes))]
    growing = [_Route(problem, look, route) for route in started]
    free = problem.task >= 0
    for route in started:
        free &= ~np.isin(problem.task, problem.task[list(route)])
    must = np.append(problem.must, 0)[problem.task]
    worth = np.append(problem.worth, 0.0)[problem.task]
    rounds = [(free & (worth > 0), worth)]
    if duties_first:
        ones = np.ones(len(worth))
        rounds = [(free & (must == 2), ones), (free & (must == 1), ones), *rounds]
    for wanted, value in rounds:
        _fill(problem, growing, wanted & free, value, free)
    return tuple(tuple(one.stops[1:-1]) for one in growing)


def balanced(problem: Problem, routes: Routes) -> Routes:
    """Share the streets out evenly where not every crew has its time filled.

    The time of each is cut step by step towards the mean, as long as hardly anything
    is lost by it.
    """
    took = [problem.seconds(route) for route in routes]
    if len(took) < 2 or min(took) >= EVEN * max(took):
        return routes
    for slack in (1.02, 1.05, 1.1, 1.2, 1.4):
        cut = min(sum(took) / len(took) * slack, problem.budget_s)
        shorter = replace(problem, budget_s=cut)
        shared = insert_all(shorter)
        if problem.gained(shared) >= KEPT * problem.gained(routes):
            return shared
    return routes


def _fill(
    problem: Problem,
    growing: list[_Route],
    wanted: np.ndarray,
    value: Floats,
    free: np.ndarray,
) -> None:
    """Put in what is wanted, the most value for the time first, while it fits."""
    wanted = wanted & free
    while True:
        best, chosen, where = 0.0, -1, growing[0]
        for route in growing:
            fits = wanted & (route.cost <= route.left_s)
            ratio = np.where(fits, value / np.maximum(route.cost, _LEAST_S), 0.0)
            heading = int(np.argmax(ratio))
            if ratio[heading] > best:
                best, chosen, where = float(ratio[heading]), heading, route
        if chosen < 0:
            return
        where.insert(chosen)
        same = problem.task == problem.task[chosen]
        wanted[same] = free[same] = False
