"""Many circuits at once: areas are told from chance, and from single faults."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from lightwatch.decisions.areas.alarm import ALARM, Town
from lightwatch.decisions.areas.chance import believed, gumbel_tail
from lightwatch.decisions.areas.scan import Scan, log_ratio

WORLDS = 200
SIDE = 20
GRID_M = np.array([(150.0 * i, 150.0 * j) for i in range(SIDE) for j in range(SIDE)])


def town(place: np.ndarray, rng: np.random.Generator, suspected: int) -> Town:
    """Return a town in which chance alone is at work."""
    return Town(
        place,
        rng.choice(len(place), suspected, replace=False),
        rng.beta(0.4, 1.2, suspected),
        rng.uniform(0, 14, suspected),
    )


def with_storm(town: Town, hit: int, chance: float, age: float) -> Town:
    """Return the town with some neighbouring circuits dark since one night."""
    away = np.hypot(*(town.place - town.place[len(town.place) // 2]).T)
    near = np.argsort(away)[:hit]
    return Town(
        town.place,
        np.concatenate([town.circuit, near]),
        np.concatenate([town.chance, np.full(hit, chance)]),
        np.concatenate([town.age, np.full(hit, age)]),
    )


def test_clean_towns_seldom_raise_an_alarm() -> None:
    rng = np.random.default_rng(1)
    places = rng.uniform(0, 6000, (400, 2))
    alarms = sum(
        bool(town(places, rng, int(rng.integers(3, 25))).alarms(rng))
        for _ in range(WORLDS)
    )

    assert alarms <= binom.ppf(0.999, WORLDS, ALARM)
    assert binom.ppf(0.999, WORLDS, ALARM) < 0.05 * WORLDS


def test_a_storm_over_neighbouring_circuits_is_found_and_little_else() -> None:
    rng = np.random.default_rng(2)
    stormy = with_storm(town(GRID_M, rng, 10), hit=5, chance=0.7, age=1.5)
    [(cluster, p_value)] = stormy.alarms(rng)

    assert p_value < 1e-3
    hit = set(range(10, 15))
    assert hit <= set(stormy.within(cluster).tolist())
    assert len(stormy.within(cluster)) <= 6


def test_one_sure_fault_among_doubtful_neighbours_is_no_area() -> None:
    rng = np.random.default_rng(3)
    quiet = Town(GRID_M, np.array([], int), np.zeros(0), np.zeros(0))
    doubtful = with_storm(with_storm(quiet, 1, 0.99, 1.0), 4, 0.05, 1.0)

    assert not doubtful.alarms(rng)


def test_the_same_circuits_far_apart_are_no_area() -> None:
    rng = np.random.default_rng(4)
    corners = np.array([0, SIDE - 1, SIDE * (SIDE - 1), SIDE * SIDE - 1])
    scattered = Town(GRID_M, corners, np.full(4, 0.9), np.full(4, 1.0))

    assert not scattered.alarms(rng)


def test_circles_grow_by_the_nearest_and_hold_no_more_than_their_share() -> None:
    line = np.array([[0.0, 0.0], [1.0, 0.0], [2.1, 0.0], [3.3, 0.0]])
    scan = Scan(line, np.ones((4, 1)), np.array([4.0]), most_share=0.5)
    cases = np.array([[2.0], [2.0], [0.0], [0.0]])
    best = next(scan.clusters(cases))

    assert sorted(best.places.tolist()) == [0, 1]
    assert best.log_ratio == pytest.approx(float(4 * np.log(2)))
    assert scan.greatest(cases) == best.log_ratio


def test_no_more_than_expected_is_no_evidence() -> None:
    assert log_ratio(np.array([1.0, 0.5, 0.0]), np.ones(3), 4.0).tolist() == [0, 0, 0]
    assert log_ratio(np.zeros(1), np.zeros(1), 0.0).tolist() == [0]


def test_replicates_all_alike_say_only_that_none_was_as_great() -> None:
    assert gumbel_tail(np.zeros(99), 5.0) == pytest.approx(0.01)
    assert gumbel_tail(np.zeros(99), 0.0) == 1.0


def test_belief_grows_as_chance_shrinks_and_never_from_an_ordinary_p_value() -> None:
    chances = [believed(p, 0.01) for p in (0.5, 1e-2, 1e-4, 1e-8)]

    assert chances == sorted(chances)
    assert chances[0] == pytest.approx(0.01)
    assert chances[-1] > 0.99
