"""Streets as a graph, what is chosen from them, and how it is driven."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.sparse.csgraph import dijkstra
from shapely import LineString

from lightwatch.decisions.patrol.clusters import clusters
from lightwatch.decisions.patrol.improve import improve
from lightwatch.decisions.patrol.insertion import balanced, insert_all
from lightwatch.decisions.patrol.looking import parts_of_lights
from lightwatch.decisions.patrol.network import Network, metres, network
from lightwatch.decisions.patrol.problem import (
    Problem,
    Tasks,
    headings,
    problem_of,
    promising,
)
from lightwatch.decisions.patrol.redrive import LEAST, redriven
from lightwatch.decisions.patrol.relaxed import relaxed
from lightwatch.decisions.patrol.ways import Ways
from tests.bench.patrol_cities import City, city
from tests.bench.patrol_rules import greedy, nearest

X, Y, STEP = 15.6, 47.3, 0.002


def roads(rows: list[tuple[str, list[tuple[int, int]], dict]]) -> gpd.GeoDataFrame:
    """Roads on a lattice: (road, lattice points, what differs)."""
    return gpd.GeoDataFrame(
        [
            {
                "road_id": name, "name": f"{name} Street", "class": "residential",
                "speed_kmh": "30", "one_way": "false", **more,
                "geometry": LineString([(X + i * STEP, Y + j * STEP) for i, j in line]),
            }
            for name, line, more in rows
        ],
        crs="EPSG:4326",
    )  # fmt: skip


SQUARE = [
    ("A", [(0, 0), (1, 0)], {}),
    ("B", [(1, 0), (1, 1)], {}),
    ("C", [(1, 1), (0, 1)], {}),
    ("D", [(0, 1), (0, 0)], {}),
]


def everything(net: Network) -> Tasks:
    count = len(net.tail)
    return Tasks(
        np.arange(count), np.ones(count, bool), ~net.one_way, np.ones(count),
        net.length_m / 5.0, np.zeros(count, dtype=np.int64),
    )  # fmt: skip


def test_roads_join_where_they_share_a_point_even_inside_a_line():
    net = network(
        roads([("A", [(0, 0), (1, 0), (2, 0)], {}), ("B", [(1, 0), (1, 1)], {})])
    )
    assert sorted(net.road_id) == ["A", "A", "B"]
    assert len(net.places) == 4


def test_roads_that_cross_without_a_shared_point_do_not_join():
    net = network(roads([("A", [(0, 1), (2, 1)], {}), ("B", [(1, 0), (1, 2)], {})]))
    assert len(net.places) == 4
    assert net.together(0).sum() == 1


def test_a_closed_road_is_not_driven_and_its_length_is_that_of_the_ground():
    net = network(roads(SQUARE), {"A"})
    assert net.together(0).sum() == 3
    # A degree of latitude is 111.19 km on the sphere (2 pi 6371.0088 km / 360).
    assert net.length_m[1] == pytest.approx(0.002 * 111_194.9, rel=1e-4)


def test_a_one_way_street_is_driven_one_way():
    one = [(n, line, {"one_way": "true"}) for n, line, _ in SQUARE]
    net = network(roads(one))
    there = net.times(np.array([0]), np.array([1]))[0, 0]
    back = net.times(np.array([1]), np.array([0]))[0, 0]
    assert back == pytest.approx(net.seconds[1:].sum(), rel=1e-5)
    assert there == pytest.approx(net.seconds[0], rel=1e-5)


def test_a_one_way_street_with_no_way_back_is_left_out():
    net = network(roads([*SQUARE, ("E", [(1, 1), (2, 1)], {"one_way": "true"})]))
    home = int(net.tail[0])
    assert list(net.road_id[net.together(home)]) == ["A", "B", "C", "D"]


def test_speed_is_the_road_s_own_or_that_of_its_class():
    net = network(roads([
        ("A", [(0, 0), (1, 0)], {"speed_kmh": "50"}),
        ("B", [(1, 0), (2, 0)], {"speed_kmh": "", "class": "arterial"}),
        ("C", [(2, 0), (3, 0)], {"speed_kmh": "0", "class": "track"}),
    ]))  # fmt: skip
    assert list(net.kmh) == [50.0, 50.0, 30.0]


def test_lights_belong_to_the_nearest_part_of_their_road_or_to_a_road_near_by():
    net = network(
        roads([("A", [(0, 0), (1, 0), (2, 0)], {}), ("B", [(1, 0), (1, 1)], {})])
    )
    lights = pd.DataFrame(
        {
            "light_id": ["L1", "L2", "L3", "L4"],
            "road_id": ["A", "A", "", "gone"],
            "longitude": [X + 0.4 * STEP, X + 1.6 * STEP, X + STEP, X + 9 * STEP],
            "latitude": [Y, Y, Y + 0.5 * STEP, Y],
        }
    )
    part = parts_of_lights(net, lights)
    first, second = (net.places[net.tail[part[one]]][0] for one in ("L1", "L2"))
    assert first < second
    assert net.road_id[part["L3"]] == "B"
    assert part["L4"] == -1


def ways_of(made: City) -> Ways:
    return Ways.of(made.net, made.tasks, *headings(made.tasks), made.depot)


def problem(side: int = 9, seed: int = 3, budget_s: float = 2400.0, crews: int = 1):
    made = city(side, seed)
    return problem_of(made.net, made.tasks, made.depot, budget_s, crews)[0], made


def test_driving_times_are_those_of_the_shortest_ways():
    found, made = problem(side=6)
    net, full = made.net, dijkstra(made.net.graph)
    task = found.task[1:]
    tail = net.tail[made.tasks.part[task]]
    first = np.flatnonzero(np.diff(task, prepend=-1) != 0)
    starts = np.where(np.isin(np.arange(len(task)), first), tail, -1)
    known = starts >= 0
    assert found.drive_s[0, 1:][known] == pytest.approx(
        full[made.depot][starts[known]], rel=1e-5
    )


def test_the_plan_at_once_keeps_to_time_and_looks_at_nothing_twice():
    for crews in (1, 3):
        found, _ = problem(crews=crews, budget_s=900.0)
        routes = insert_all(found)
        assert len(routes) == crews
        assert found.fits(routes)
        assert found.gained(routes) > found.gained(greedy(found)) * 0.98
        assert found.gained(routes) > found.gained(nearest(found))


def test_nothing_fits_into_no_time_and_everything_into_enough():
    none, _ = problem(budget_s=1.0)
    assert insert_all(none) == ((),)
    plenty, _ = problem(budget_s=1e6)
    assert plenty.gained(insert_all(plenty)) == pytest.approx(plenty.worth.sum())


def test_duties_go_in_whatever_they_find_the_asked_for_first():
    found, _ = problem(budget_s=1500.0)
    worst = np.argsort(found.worth)[:6]
    must = found.must.copy()
    must[worst] = 1
    must[worst[:2]] = 2
    bound = Problem(
        found.worth, found.look_s, must, found.task, found.drive_s, 1500.0, 1
    )
    routes = insert_all(bound)
    driven = {int(bound.task[h]) for route in routes for h in route}
    assert set(worst[:2].tolist()) <= driven
    assert bound.fits(routes)
    assert bound.gained(routes) <= found.gained(insert_all(found))


def test_the_better_plan_is_never_worse_and_keeps_duties_and_time():
    found, made = problem(side=12, budget_s=3000.0, crews=2)
    must = found.must.copy()
    must[np.argsort(found.worth)[:3]] = 2
    bound = Problem(
        found.worth, found.look_s, must, found.task, found.drive_s, 3000.0, 2
    )
    routes = insert_all(bound)
    told: list[float] = []
    better = improve(
        bound, routes, ways_of(made), seconds=4.0,
        tell=lambda gone, found: told.append(found),
    )  # fmt: skip
    assert bound.fits(better)
    assert bound.gained(better) >= bound.gained(routes)
    assert told == sorted(told)
    driven = {int(bound.task[h]) for route in better for h in route}
    assert set(np.flatnonzero(must == 2).tolist()) <= driven


def test_breaking_off_keeps_the_best_so_far(monkeypatch):
    found, made = problem(side=12, budget_s=3000.0)
    routes, ways = insert_all(found), ways_of(made)
    good = improve(found, routes, ways, seconds=4.0)
    assert found.gained(good) > found.gained(routes)

    def broken_off(*given, keep, **more):
        keep(good)
        raise KeyboardInterrupt

    monkeypatch.setattr("lightwatch.decisions.patrol.improve.LOOKED", -1.0)
    for turn in ("searched", "redriven"):
        monkeypatch.setattr(f"lightwatch.decisions.patrol.improve.{turn}", broken_off)
        better = improve(found, routes, ways, seconds=2.0)
        assert found.fits(better)
        assert found.gained(better) >= found.gained(good)


def best_of_all(found: Problem, price: float) -> float:
    """Try every order of streets that one crew can drive in its time."""
    best, open_ends = 0.0, [(0, 0.0, 0.0, frozenset())]
    look = np.append(found.look_s, 0.0)[found.task]
    worth = np.append(found.worth, 0.0)[found.task]
    while open_ends:
        at, used, gained, seen = open_ends.pop()
        best = max(best, gained - price * (used + float(found.drive_s[at, 0])))
        for heading in range(1, len(found.task)):
            task = int(found.task[heading])
            spent = used + float(found.drive_s[at, heading] + look[heading])
            back = spent + float(found.drive_s[heading, 0])
            if task not in seen and back <= found.budget_s:
                more = gained + float(worth[heading])
                open_ends.append((heading, spent, more, seen | {task}))
    return best


def test_small_towns_driven_anew_are_no_worse_and_mostly_as_good_as_can_be(monkeypatch):
    """As good as every order of streets tried; parts that come off cost the rest."""
    monkeypatch.setattr("lightwatch.decisions.patrol.redrive.SIZES", (16,))
    reached, better = 0, 0
    for seed, budget in itertools.product(range(4), (130.0, 160.0)):
        found, made = problem(side=4, seed=seed, budget_s=budget)
        first, plans = insert_all(found), []
        price = 0.5 * found.gained(first) / found.seconds(first[0])
        redriven(
            found, first, ways_of(made), price, over=lambda: False, keep=plans.append
        )
        best = best_of_all(found, price)
        worth, before = (
            found.gained(plan) - price * found.seconds(plan[0])
            for plan in (plans[-1], first)
        )
        assert found.fits(plans[-1])
        assert before - 1e-6 <= worth <= best + 1e-6
        most = relaxed(ways_of(made), found.worth, budget, 1, over=lambda: False)
        assert best <= most.bound <= found.worth.sum() + 1e-9
        reached += worth >= best - LEAST
        better += worth > before + LEAST
    assert reached >= 5
    assert better >= 2


@pytest.mark.parametrize("seed", range(3))
def test_a_part_driven_anew_hangs_together_with_the_rest(seed, monkeypatch):
    monkeypatch.setattr("lightwatch.decisions.patrol.redrive.SIZES", (25,))
    found, made = problem(side=9, seed=seed, budget_s=2400.0, crews=2)
    first, plans, asked = insert_all(found), [], iter([False] * 24)
    price = 0.5 * found.gained(first) / sum(map(found.seconds, first))
    redriven(
        found, first, ways_of(made), price, over=lambda: next(asked, True),
        keep=plans.append,
    )  # fmt: skip
    worth, before = (
        found.gained(plan) - price * sum(map(found.seconds, plan))
        for plan in (plans[-1], first)
    )
    assert found.fits(plans[-1])
    assert worth > before + LEAST


def test_a_route_as_a_flow_is_driven_in_the_same_time_and_looks_at_the_same():
    found, made = problem(side=9, budget_s=3000.0)
    ways, (route,) = ways_of(made), insert_all(found)
    count = ways.flow(route)
    assert ways.seconds @ count == pytest.approx(found.seconds(route), abs=0.05)
    away = np.bincount(ways.tail, count) - np.bincount(ways.head, count)
    assert not away.any()
    tour = ways.tour(count)
    assert set(found.task[list(tour)]) == set(found.task[list(route)])
    assert found.seconds(tour) <= found.seconds(route) + 0.05


def test_what_a_second_more_would_find_is_what_the_bound_gains():
    found, made = problem(side=9, budget_s=2400.0)
    ways = ways_of(made)
    less, more = (
        relaxed(ways, found.worth, budget, 1, over=lambda: True)
        for budget in (2400.0, 2401.0)
    )
    assert more.bound - less.bound == pytest.approx(less.price_per_s, rel=0.05)
    assert found.gained(insert_all(found)) <= less.bound


def test_crews_share_a_small_town_evenly():
    found, _ = problem(side=9, budget_s=20_000.0, crews=3)
    routes = balanced(found, insert_all(found))
    hours = [found.seconds(route) for route in routes]
    assert min(hours) >= 0.9 * max(hours)
    assert found.gained(routes) == pytest.approx(found.worth.sum(), rel=0.006)


def test_the_most_promising_streets_include_all_duties():
    made = city(12, 1)
    must = np.zeros(len(made.tasks.part), dtype=np.int64)
    must[np.argsort(made.tasks.worth)[:5]] = 1
    tasks = Tasks(**{**vars(made.tasks), "must": must})
    away = made.net.times(np.array([made.depot]), np.arange(len(made.net.places)))[0]
    chosen = promising(made.net, tasks, away.astype(float), 3600.0, 50)
    assert len(chosen) == 50
    assert set(np.flatnonzero(must).tolist()) <= set(chosen.tolist())


def test_without_roads_every_light_is_in_a_cluster_that_can_be_driven_to():
    rng = np.random.default_rng(2)
    lights = pd.DataFrame(
        {
            "light_id": [f"L{i}" for i in range(120)],
            "road_id": "",
            "longitude": X + rng.uniform(0, 0.03, 120),
            "latitude": Y + rng.uniform(0, 0.02, 120),
        }
    )
    net, part = clusters(lights, (X, Y))
    depot, away_m = net.nearest((X, Y))
    assert away_m < 1e-6
    assert net.together(depot).all()
    assert set(part.index) == set(lights["light_id"])
    assert (net.road_id == "").all()
    for light, own in part.items():
        at = lights.set_index("light_id").loc[light, ["longitude", "latitude"]]
        assert metres(np.array(net.lines[own]), at.to_numpy(float)).min() < 1e-6
