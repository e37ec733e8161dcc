"""A better plan with time: PyVRP's iterated local search on the same problem.

Each heading is a client, the two headings of a street a group of which at most one is
driven. **The trap**: with driving free, the search has no slope to follow. So time has
a price, a share of what the plan at once finds in a second; see the notes on method.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from lightwatch.decisions.patrol.insertion import insert_all
from lightwatch.decisions.patrol.problem import Problem, Routes

if TYPE_CHECKING:
    from pyvrp import ProblemData, Solution
    from pyvrp.stop import StoppingCriterion

PRICES = (0.6, 0.5, 0.6, 0.5)
"""Prices of time, one search after the other from the best plan so far; as shares of
what the plan at once finds in a second. Chosen on three invented networks."""

HISTORY = 50
"""Plans back with which the search compares; chosen on the same networks."""

NEIGHBOURS = 20
"""Streets near each that the search tries it beside."""

PER_SECOND = 10
"""Durations are whole tenths of a second, rounded up: what fits there fits."""

_PRICE = 1000
_REACHABLE_S = 1e6

Tell = Callable[[float, float], None]
"""Called with seconds gone and lights expected to be found, when a plan is better."""


def _data(problem: Problem, price_per_s: float) -> ProblemData:
    """Return the problem as the solver wants it, a price of one second being 1000."""
    from pyvrp import Client, ClientGroup, Depot, Location, ProblemData, VehicleType

    headings = np.arange(1, len(problem.task))
    task = problem.task[headings]
    prize = np.round(problem.worth / price_per_s * _PRICE).astype(int)
    look = np.ceil(problem.look_s * PER_SECOND).astype(int)
    first = np.unique(task)
    group = {int(one): i for i, one in enumerate(first)}
    clients = [
        Client(
            location=int(i),
            service_duration=int(look[one]),
            prize=int(prize[one]),
            required=False,
            group=group[int(one)],
        )
        for i, one in zip(headings, task, strict=True)
    ]
    members: list[list[int]] = [[] for _ in first]
    for i, one in enumerate(task):
        members[group[int(one)]].append(i)
    required = problem.must > 0
    groups = [
        ClientGroup(some, required=bool(required[one]))
        for one, some in zip(first, members, strict=True)
    ]
    driven = np.minimum(problem.drive_s, _REACHABLE_S)
    duration = np.ceil(driven * PER_SECOND).astype(np.int64)
    np.fill_diagonal(duration, 0)
    vehicle = VehicleType(
        num_available=problem.crews,
        shift_duration=int(problem.budget_s * PER_SECOND),
        unit_distance_cost=0,
        unit_duration_cost=_PRICE // PER_SECOND,
    )
    return ProblemData(
        locations=[Location(0, 0)] * len(problem.task),
        clients=clients,
        depots=[Depot(location=0)],
        vehicle_types=[vehicle],
        distance_matrices=[np.zeros_like(duration)],
        duration_matrices=[duration],
        groups=groups,
    )


def _routes(solution: Solution) -> Routes:
    return tuple(
        tuple(act.idx + 1 for act in route if act.is_client())
        for route in solution.routes()
    )


class _Watch:
    """Keep the best that a search has found, though it be broken off."""

    def __init__(self) -> None:
        self.best: Solution | None = None

    def __getattr__(self, name: str) -> Callable[..., None]:
        if not name.startswith("on_"):
            raise AttributeError(name)
        return lambda *args, **kwargs: None

    def on_best(self, best: Solution) -> None:
        """Keep a solution."""
        self.best = best


def _search(
    data: ProblemData,
    start: Solution,
    stop: StoppingCriterion,
    seed: int,
    watch: _Watch,
) -> bool:
    """Search until told to stop; tell whether a person has broken it off."""
    from pyvrp import IteratedLocalSearchParams, SolveParams, solve
    from pyvrp.search import NeighbourhoodParams

    callbacks: Any = watch
    params = SolveParams(
        ils=IteratedLocalSearchParams(history_length=HISTORY, callbacks=callbacks),
        neighbourhood=NeighbourhoodParams(num_neighbours=NEIGHBOURS),
    )
    try:
        found = solve(
            data,
            stop,
            seed=seed,
            collect_stats=False,
            params=params,
            initial_solution=start,
        )
    except KeyboardInterrupt:
        return True
    watch.best = found.best if found.best.is_feasible() else watch.best
    return False


def improve(
    problem: Problem,
    routes: Routes,
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
    seconds
        How long to search [s].
    seed
        Of the search.
    tell
        Called when a plan is better.
    clock
        By which the seconds are counted.
    """
    from pyvrp import Solution

    best, begun = routes, clock()
    used = sum(problem.seconds(route) for route in routes)
    rate = problem.gained(routes) / max(used, 1.0)
    if rate <= 0.0:
        return routes
    for i, share in enumerate(PRICES):
        until = begun + seconds * (i + 1) / len(PRICES)
        data = _data(problem, share * rate)
        listed = [[heading - 1 for heading in route] for route in best if route]
        watch = _Watch()
        stop = partial(_is_over, clock, until)
        stopped = _search(data, Solution(data, listed), stop, seed + i, watch)
        if watch.best is not None and watch.best.is_feasible():
            filled = insert_all(problem, _routes(watch.best), duties_first=False)
            if problem.fits(filled) and problem.gained(filled) > problem.gained(best):
                best = filled
                tell(clock() - begun, problem.gained(best))
        if stopped:
            break
    return best


def _is_over(clock: Callable[[], float], until: float, best_cost: int) -> bool:
    return clock() >= until
