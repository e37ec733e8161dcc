"""The figures of the patrol: ``python -m tests.bench.patrol [PART...]``.

Parts: ``small`` (fresh networks of 3,000 streets), ``bound`` (their upper bounds),
``large`` (of 30,000), ``crews`` (three crews), ``nights`` (200 simulated nights). The
rule was fixed before: none of these seeds was looked at while the planner was made; one
search of 60 s of one processor each, no retries.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from lightwatch.decisions.patrol.improve import improve
from lightwatch.decisions.patrol.insertion import balanced, insert_all
from lightwatch.decisions.patrol.patrol import LEAST, MOST, PER_CREW_HOUR
from lightwatch.decisions.patrol.problem import (
    Problem,
    Routes,
    problem_of,
    promising,
)
from lightwatch.decisions.patrol.ways import Ways
from tests.bench.patrol_bound import relaxation, whole
from tests.bench.patrol_cities import City, city
from tests.bench.patrol_rules import greedy, nearest, rotation
from tests.recovery.patrol_study import study

HOURS = 4.0
SECONDS = 60.0
BOUND_SECONDS = 240.0
SMALL, LARGE = 41, 129
"""Junctions along a side: about 3,000 and 30,000 streets."""

FRESH = range(301, 305)
FRESH_LARGE = range(401, 402)
CITIES, NIGHTS, CITY_LIGHTS = range(700, 710), 20, 12_000
"""Cities of about 6,000 streets: a crew sees a part of them in a night."""


def improved(problem: Problem, routes: Routes, ways: Ways) -> Routes:
    """Return the better plan after a minute of one processor."""
    return improve(problem, routes, ways, seconds=SECONDS, clock=time.process_time)


def first_plan(made: City, crews: int = 1) -> tuple[Problem, Routes, Ways, float]:
    """Return the problem, the plan at once, the ways, and how long it took [s]."""
    begun = time.process_time()
    budget = HOURS * 3600
    everywhere = np.arange(len(made.net.places))
    away = made.net.times(np.array([made.depot]), everywhere)[0].astype(float)
    most = min(max(round(PER_CREW_HOUR * crews * HOURS), LEAST), MOST)
    which = promising(made.net, made.tasks, away, budget, most)
    some = made.tasks.chosen(which)
    problem, task, ahead = problem_of(made.net, some, made.depot, budget, crews)
    routes = insert_all(problem)
    ways = Ways.of(made.net, some, task, ahead, made.depot)
    return problem, routes, ways, time.process_time() - begun


def by_hand(made: City) -> dict[str, float]:
    """Return what the other ways find, each free to choose among all streets."""
    whole, _, _ = problem_of(made.net, made.tasks, made.depot, HOURS * 3600, 1)
    lamps = np.bincount(made.street)
    seen = np.bincount(made.street, made.seen_days) / lamps
    return {
        "rotation": whole.gained(rotation(whole, seen)),
        "nearest": whole.gained(nearest(whole)),
        "greedy": whole.gained(greedy(whole)),
    }


HEAD = f"{'seed':>5}{'streets':>8}{'rotation':>9}{'nearest':>8}{'greedy':>8}"
HEAD += f"{'at once':>8}{'s':>6}{'better':>8}{'x greedy':>9}"


def networks(side: int, seeds: range, *, compare: bool = True) -> None:
    """Print expected finds of one crew in four hours on each network."""
    print(HEAD)
    ratios = []
    for seed in seeds:
        made = city(side, seed)
        hand = by_hand(made) if compare else greedy_alone(made)
        problem, routes, ways, took = first_plan(made)
        better = problem.gained(improved(problem, routes, ways))
        ratios.append(better / hand["greedy"])
        print(
            f"{seed:>5}{len(made.tasks.part):>8,}{hand['rotation']:>9.1f}"
            f"{hand['nearest']:>8.1f}{hand['greedy']:>8.1f}"
            f"{problem.gained(routes):>8.1f}{took:>6.2f}{better:>8.1f}"
            f"{ratios[-1]:>9.3f}",
            flush=True,
        )
    print(f"over greedy: least {min(ratios):.3f}, median {np.median(ratios):.3f}")


def greedy_alone(made: City) -> dict[str, float]:
    """Return what greedy finds where all pairs of streets are too many to measure."""
    everywhere = np.arange(len(made.net.places))
    away = made.net.times(np.array([made.depot]), everywhere)[0].astype(float)
    budget = HOURS * 3600
    which = promising(made.net, made.tasks, away, budget, 3000)
    some, _, _ = problem_of(made.net, made.tasks.chosen(which), made.depot, budget, 1)
    none = float("nan")
    return {"rotation": none, "nearest": none, "greedy": some.gained(greedy(some))}


def bound() -> None:
    """Print upper bounds on the small networks, over greedy, and the share reached."""
    print(f"{'seed':>5}{'greedy':>8}{'better':>8}{'bound':>8}{'share':>8}", end="")
    print(f"{'whole':>8}{'share':>8}{'whole x greedy':>16}")
    for seed in FRESH:
        made = city(SMALL, seed)
        hand = greedy_alone(made)["greedy"]
        problem, routes, ways, _ = first_plan(made)
        better = problem.gained(improved(problem, routes, ways))
        found = relaxation(made, HOURS * 3600, seconds=60.0)
        most = whole(found, seconds=BOUND_SECONDS)
        print(
            f"{seed:>5}{hand:>8.1f}{better:>8.1f}{found.bound:>8.1f}"
            f"{better / found.bound:>8.3f}{most:>8.1f}{better / most:>8.3f}"
            f"{most / hand:>16.3f}",
            flush=True,
        )


def crews() -> None:
    """Print how evenly three crews are used."""
    print(f"{'seed':>5}{'finds':>8}   hours of each, finds of each")
    for seed in list(FRESH)[:2]:
        problem, routes, ways, _ = first_plan(city(SMALL, seed), crews=3)
        better = balanced(problem, improved(problem, routes, ways))
        hours = [problem.seconds(route) / 3600 for route in better]
        finds = [problem.gained((route,)) for route in better]
        print(f"{seed:>5}{problem.gained(better):>8.1f}  ", end=" ")
        print(" ".join(f"{h:.2f}" for h in hours), " ".join(f"{f:.1f}" for f in finds))


def nights() -> None:
    """Print simulated nights: found against expected, and against rotation."""
    rows = study(CITIES, NIGHTS, CITY_LIGHTS, HOURS)
    sums = rows[["expected", "found", "rotation"]].sum()
    rng = np.random.default_rng(0)
    drawn = [rows.iloc[rng.integers(len(rows), size=len(rows))] for _ in range(2000)]
    ratio = [one["found"].sum() / one["expected"].sum() for one in drawn]
    low, high = np.percentile(ratio, [2.5, 97.5])
    print(f"{len(rows)} nights: expected {sums['expected']:.0f}, found ", end="")
    print(f"{sums['found']:.0f}: {sums['found'] / sums['expected']:.3f} ", end="")
    print(f"({low:.2f} to {high:.2f}); rotation {sums['rotation']:.0f}: ", end="")
    print(f"{sums['found'] / max(sums['rotation'], 1):.2f} times")


PARTS = {
    "small": lambda: networks(SMALL, FRESH),
    "bound": bound,
    "large": lambda: networks(LARGE, FRESH_LARGE, compare=False),
    "crews": crews,
    "nights": nights,
}


def main(*parts: str) -> None:
    """Print the parts asked for, or all."""
    for name in parts or PARTS:
        print(f"-- {name}")
        PARTS[name]()


if __name__ == "__main__":
    main(*sys.argv[1:])
