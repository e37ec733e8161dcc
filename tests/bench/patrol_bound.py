"""Upper bounds on what any crew can find: relaxed, and with whole streets, by HiGHS."""

from __future__ import annotations

import time

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from lightwatch.decisions.patrol.problem import headings
from lightwatch.decisions.patrol.relaxed import Relaxed, relaxed
from lightwatch.decisions.patrol.ways import Ways
from tests.bench.patrol_cities import City


def relaxation(made: City, budget_s: float, *, seconds: float) -> Relaxed:
    """Return the relaxation over all streets, after so many seconds of cutting."""
    ways = Ways.of(made.net, made.tasks, *headings(made.tasks), made.depot)
    until = time.monotonic() + seconds
    found = relaxed(
        ways, made.tasks.worth, budget_s, 1, over=lambda: time.monotonic() > until
    )
    assert found is not None
    return found


def whole(found: Relaxed, *, seconds: float) -> float:
    """Return a bound on plans that drive and look a whole number of times.

    It holds whether or not the search ends: it is the bound of what is left to search.
    """
    rules = found.programme
    solved = milp(
        -rules.worth,
        constraints=[
            LinearConstraint(rules.rules, -np.inf, rules.limits),
            LinearConstraint(rules.balance, 0, 0),
        ],
        integrality=np.ones(len(rules.worth)),
        bounds=Bounds(0, rules.most),
        options={"time_limit": seconds, "mip_rel_gap": 1e-3},
    )
    return min(-float(solved.mip_dual_bound), found.bound)
