"""A better plan with time: a bound, then search and regions by turns.

The linear relaxation tells which streets can matter and what a second is worth
(``relaxed``); among those, iterated local search (``search``) and regions driven anew
(``redrive``) take turns, each from the best plan so far.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from lightwatch.decisions.patrol.insertion import insert_all
from lightwatch.decisions.patrol.problem import Ints, Problem, Routes
from lightwatch.decisions.patrol.redrive import redriven
from lightwatch.decisions.patrol.relaxed import relaxed
from lightwatch.decisions.patrol.search import searched
from lightwatch.decisions.patrol.ways import Ways

BOUND_UNTIL = 0.08
"""Share of the time after which the bound is not cut further."""

TURNS = (0.22, 0.45, 0.62, 1.0)
"""Shares of the time at which turns end, of the search and of regions by turns; chosen
on three invented networks."""

PRICE = 0.9
"""Price of time, as a share of what the relaxation says of it; same networks."""

OTHERWISE = 0.6
"""Price of time as a share of what a plan finds in a second, where nothing else tells;
the dual of the relaxation was .62 to .68 of it."""

LOOKED = 0.01
"""Streets of which the relaxation looks at less are not considered further."""

Tell = Callable[[float, float], None]
"""Called with seconds gone and lights expected to be found, when a plan is better."""


class _Best:
    """The best plan so far."""

    def __init__(self, problem: Problem, routes: Routes, told: Callable[[float], None]):
        self.problem, self.routes, self.told = problem, routes, told
        self.latest: Routes | None = None

    def keep(self, routes: Routes) -> None:
        """Keep what a turn has found so far, though it be broken off."""
        self.latest = routes

    def settle(self) -> None:
        """Fill up what a turn has found; take it if it is better."""
        if self.latest is None:
            return
        filled = insert_all(self.problem, self.latest, duties_first=False)
        gained = self.problem.gained(filled)
        if self.problem.fits(filled) and gained > self.problem.gained(self.routes):
            self.routes = filled
            self.told(gained)
        self.latest = None


def improve(
    problem: Problem,
    routes: Routes,
    ways: Ways,
    *,
    seconds: float,
    seed: int = 0,
    tell: Tell = lambda gone, found: None,
    clock: Callable[[], float] = time.monotonic,
) -> Routes:
    """Return routes at least as good, after so many seconds or on Ctrl-C.

    Parameters
    ----------
    problem
        What to choose from; what must be driven must be in ``routes``.
    routes
        The plan at once.
    ways
        What may be driven and looked at, looks in the order of headings.
    seconds
        How long to search [s].
    seed
        Of the search.
    tell
        Called when a plan is better.
    clock
        By which the seconds are counted.
    """
    begun, first = clock(), problem.gained(routes)
    if first <= 0.0:
        return routes

    def after(share: float) -> Callable[[], bool]:
        return lambda: clock() >= begun + share * seconds

    def told(gained: float) -> None:
        if gained > first:
            tell(clock() - begun, gained)

    best = _Best(problem, routes, told)
    headings = np.arange(len(problem.task))
    try:
        tasks, price = _chosen(problem, routes, ways, after(BOUND_UNTIL))
        few, chosen = problem.only(tasks)
        on_few = ways.only(chosen, tasks)
        best, headings = _Best(few, insert_all(few), told), np.append(0, chosen)
        for turn, share in enumerate(TURNS):
            over, again = after(share), seed + turn
            if turn % 2:
                redriven(few, best.routes, on_few, price, over=over, keep=best.keep,
                         seed=again)  # fmt: skip
            else:
                searched(few, best.routes, price, over=over, keep=best.keep, seed=again)
            best.settle()
    except KeyboardInterrupt:
        best.settle()
    found = tuple(tuple(map(int, headings[list(route)])) for route in best.routes)
    filled = insert_all(problem, found, duties_first=False)
    fits = problem.fits(filled) and problem.gained(filled) > first
    return filled if fits else routes


def _chosen(
    problem: Problem, routes: Routes, ways: Ways, over: Callable[[], bool]
) -> tuple[Ints, float]:
    """Return the tasks that can matter, and the price of time."""
    used = sum(problem.seconds(route) for route in routes)
    found = relaxed(ways, problem.worth, problem.budget_s, problem.crews, over=over)
    looked = problem.worth > 0 if found is None else found.looked > LOOKED
    price = PRICE * found.price_per_s if found else 0.0
    usual = OTHERWISE * problem.gained(routes) / max(used, 1.0)
    return np.flatnonzero(looked | (problem.must > 0)), price or usual
