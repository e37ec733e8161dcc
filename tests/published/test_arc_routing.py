"""Streets as headings between which one drives, on published arc-routing instances.

The same step from streets to headings as in a patrol; here every street must be driven
and trucks have a capacity, so that the optimum is known.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from pyvrp import Client, VehicleType, solve
from pyvrp.stop import MaxRuntime, MultipleCriteria, NoImprovement

from lightwatch.decisions.patrol.insertion import insert_all
from lightwatch.decisions.patrol.network import Network
from lightwatch.decisions.patrol.problem import Problem, Tasks, problem_of
from lightwatch.decisions.patrol.search import PER_SECOND, _data

SOURCE = (
    "Golden, DeArmon and Baker 1983, and Kiuchi 1995, via CARPLIB; optimum from memory "
    "of the literature (checks/stock-and-patrol.json)"
)
CHECKS = Path(__file__).parents[3] / "shared" / "checks" / "stock-and-patrol.json"
INSTANCES = ("carp_gdb1", "carp_gdb14", "carp_gdb19", "carp_kshs1", "carp_kshs6")


def streets(edges: list[tuple[int, int, float]]) -> tuple[Network, Tasks]:
    """Streets whose driving takes as many seconds as they cost."""
    tail, head = (np.array([e[i] for e in edges]) for i in (0, 1))
    cost = np.array([e[2] for e in edges], dtype=float)
    size = int(max(tail.max(), head.max())) + 1
    count = len(edges)
    flags = np.zeros(count, dtype=bool)
    net = Network(
        np.zeros((size, 2)), tail, head, np.arange(count).astype(str).astype(object),
        cost, np.full(count, 3.6), flags, flags, [[(0.0, 0.0)]] * count, {},
    )  # fmt: skip
    every = np.ones(count, dtype=bool)
    must = np.full(count, 2)
    return net, Tasks(np.arange(count), every, every, np.ones(count), cost, must)


def cheapest(problem: Problem, demand: list[int], capacity: int, trucks: int) -> float:
    """Search for the cheapest routes that serve every street."""
    data = _data(problem, 1.0)
    clients = [
        Client(
            location=one.location,
            delivery=[demand[int(problem.task[one.location])]],
            service_duration=one.service_duration,
            required=False,
            group=one.group,
        )
        for one in data.clients()
    ]
    fleet = VehicleType(
        num_available=trucks, capacity=[capacity], unit_distance_cost=0,
        unit_duration_cost=1,
    )  # fmt: skip
    made = data.replace(clients=clients, vehicle_types=[fleet])
    stop = MultipleCriteria([MaxRuntime(20.0), NoImprovement(4000)])
    best = solve(made, stop, seed=1, collect_stats=False).best
    assert best.is_feasible()
    return float(best.duration()) / PER_SECOND


@pytest.mark.slow
@pytest.mark.parametrize("name", INSTANCES)
def test_the_best_known_cost_of_a_published_instance_is_reached(name: str) -> None:
    if not CHECKS.is_file():
        pytest.skip("there is no ../shared beside this checkout")
    checks = {one["id"]: one for one in json.loads(CHECKS.read_text("utf-8"))}
    data = checks[name]["data"]
    rows = data["edges_u_v_cost_demand"]
    net, tasks = streets([(u - 1, v - 1, cost) for u, v, cost, _ in rows])
    problem, _, _ = problem_of(net, tasks, data["depot"] - 1, 1e6, 1)
    demand = [row[3] for row in rows]
    trucks = -(-sum(demand) // data["capacity"]) + 3
    found = cheapest(problem, demand, data["capacity"], trucks)
    assert found == pytest.approx(checks[name]["expected"], abs=0.05), SOURCE


def test_the_bridges_of_koenigsberg_take_nine_crossings() -> None:
    """Seven bridges, four odd places: two must be crossed again (Euler)."""
    bridges = ["AB", "AB", "AC", "AC", "AD", "BD", "CD"]
    net, tasks = streets([("ABCD".index(a), "ABCD".index(b), 1.0) for a, b in bridges])
    problem, _, _ = problem_of(net, tasks, 0, 1e6, 1)
    assert cheapest(problem, [0] * 7, 1, 1) == pytest.approx(9.0)
    assert problem.seconds(insert_all(problem)[0]) <= 11.0
