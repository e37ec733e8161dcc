"""A better plan by PyVRP's iterated local search.

Each heading is a client, the two headings of a street a group of which at most one is
driven. **The trap**: with driving free, the search has no slope to follow. So time has
a price.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from lightwatch.decisions.patrol.problem import Problem, Routes

if TYPE_CHECKING:
    from pyvrp import ProblemData, Solution

HISTORY = 50
"""Plans back with which the search compares; chosen on three invented networks."""

NEIGHBOURS = 20
"""Streets near each that the search tries it beside; chosen on the same networks."""

PER_SECOND = 10
"""Durations are whole tenths of a second, rounded up: what fits there fits."""

_PRICE = 1000
_REACHABLE_S = 1e6

Keep = Callable[[Routes], None]
"""Called with each better plan, so that none is lost if a person breaks it off."""


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

    def __init__(self, keep: Keep) -> None:
        self.keep = keep

    def __getattr__(self, name: str) -> Callable[..., None]:
        if not name.startswith("on_"):
            raise AttributeError(name)
        return lambda *args, **kwargs: None

    def on_best(self, best: Solution) -> None:
        """Keep a solution."""
        if best.is_feasible():
            self.keep(_routes(best))


def searched(
    problem: Problem,
    routes: Routes,
    price_per_s: float,
    *,
    over: Callable[[], bool],
    keep: Keep,
    seed: int = 0,
) -> None:
    """Search from routes until told to stop; a better plan is kept as it is found.

    Parameters
    ----------
    problem
        What to choose from; what must be driven must be in ``routes``.
    routes
        To begin with.
    price_per_s
        What a second is worth [lights].
    over
        Tells when to stop.
    keep
        Takes each plan that is better, worth less the price of its time.
    seed
        Of the search.
    """
    from pyvrp import IteratedLocalSearchParams, Solution, SolveParams, solve
    from pyvrp.search import NeighbourhoodParams

    data = _data(problem, price_per_s)
    callbacks: Any = _Watch(keep)
    params = SolveParams(
        ils=IteratedLocalSearchParams(history_length=HISTORY, callbacks=callbacks),
        neighbourhood=NeighbourhoodParams(num_neighbours=NEIGHBOURS),
    )
    found = solve(
        data,
        lambda best_cost: over(),
        seed=seed,
        collect_stats=False,
        params=params,
        initial_solution=Solution(
            data, [[heading - 1 for heading in route] for route in routes if route]
        ),
    )
    callbacks.on_best(found.best)
