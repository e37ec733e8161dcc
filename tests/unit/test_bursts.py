"""Bursts of reports: storms are found within hours, ordinary traffic is not one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from lightwatch.decisions.areas.bursts import Burst, Starts, Traffic, bursts

CIRCUITS, LIGHTS_EACH = 100, 25
LIGHTS = CIRCUITS * LIGHTS_EACH
CIRCUIT = np.repeat(np.arange(CIRCUITS), LIGHTS_EACH)
DAYS = 720
A_DAY = 1.5


def town() -> np.ndarray:
    """Blocks of 200 m, ten by ten, each one circuit with its lights."""
    rng = np.random.default_rng(4)
    block = np.stack(np.divmod(CIRCUIT, 10), axis=1) * 200.0
    return block + rng.uniform(0, 180, (LIGHTS, 2))


PLACE = town()


def evenings(day: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.floor(day) + rng.normal(0.85, 0.05, len(day))


def ordinary(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Reports of single lights, of feeds (several lights each), busier on some days."""
    busy = rng.gamma(8, 1 / 8, DAYS)
    number = rng.poisson(A_DAY * busy)
    at = evenings(np.repeat(np.arange(DAYS), number), rng)
    light = rng.integers(0, LIGHTS, len(at))
    feed = rng.random(len(at)) < 0.06
    more = np.repeat(np.flatnonzero(feed), 3)
    beside = CIRCUIT[light[more]] * LIGHTS_EACH + rng.integers(
        0, LIGHTS_EACH, len(more)
    )
    return (
        np.concatenate([at, at[more] + rng.exponential(0.3, len(more))]),
        np.concatenate([light, beside]),
    )


def found(at: np.ndarray, light: np.ndarray, now: float = DAYS) -> list[Burst]:
    order = np.argsort(at, kind="stable")
    known = order[at[order] <= now]
    starts = Starts.of(at[known], light[known], CIRCUIT, PLACE)
    every = np.arange(len(starts.at))
    return list(bursts(Traffic(starts, 0.0, now, PLACE, CIRCUITS), every))


def storm(
    rng: np.random.Generator, day: float, circuits: list[int], share: float
) -> tuple[np.ndarray, np.ndarray]:
    lights = np.flatnonzero(np.isin(CIRCUIT, circuits))
    told = rng.choice(lights, round(share * len(lights)), replace=False)
    return day + np.sort(rng.uniform(0, 0.3, len(told))), told


def test_two_years_of_ordinary_traffic_seldom_hold_a_burst() -> None:
    false = sum(len(found(*ordinary(np.random.default_rng(i)))) for i in range(8))
    assert false <= 8, "more than one in two years"


@pytest.mark.parametrize("circuits", [[44, 45, 54, 55], [11, 12, 21, 22, 31, 32]])
def test_a_storm_is_found_once_a_tenth_of_its_lights_is_told_of(
    circuits: list[int],
) -> None:
    caught = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        at, light = ordinary(rng)
        when, told = storm(rng, 600.8, circuits, 0.12)
        some = found(np.append(at, when), np.append(light, told), 601.2)
        near = [one for one in some if abs(one.since - 600.9) < 0.3]
        caught += bool(near)
    assert caught >= binom.ppf(0.01, 12, 0.9)


def test_a_start_knows_when_several_and_many_lights_of_it_were_told_of() -> None:
    at = np.array([1.0, 1.5, 3.0, 3.1, 3.2, 9.0, 9.1])
    light = np.array([0, 1, 2, LIGHTS_EACH, 3, 4, 4])
    starts = Starts.of(at, light, CIRCUIT, PLACE)
    assert starts.at.tolist() == [1.0, 3.1, 9.0]
    never = np.inf
    assert starts.more.tolist() == [[1.5, 3.2], [never, never], [never, never]]


@pytest.mark.parametrize(("each", "area"), [(8, True), (1, False)])
def test_two_circuits_are_a_burst_only_if_many_lights_of_each_are_told_of(
    each: int, *, area: bool
) -> None:
    rng = np.random.default_rng(6)
    at, light = ordinary(rng)
    before = {one.since for one in found(at, light)}
    told = np.concatenate([44 * LIGHTS_EACH + np.arange(each),
                           45 * LIGHTS_EACH + np.arange(each)])  # fmt: skip
    when = 600.8 + rng.uniform(0, 0.2, len(told))
    some = found(np.append(at, when), np.append(light, told))
    assert bool({one.since for one in some} - before) == area


def test_one_feed_with_many_reports_is_no_burst() -> None:
    rng = np.random.default_rng(1)
    at, light = ordinary(rng)
    before = len(found(at, light))
    when, told = storm(rng, 600.8, [44], 0.9)
    assert len(found(np.append(at, when), np.append(light, told))) == before


def test_the_same_circuits_far_apart_in_time_are_no_burst() -> None:
    rng = np.random.default_rng(2)
    at, light = ordinary(rng)
    before = len(found(at, light))
    for i, circuit in enumerate([44, 45, 54, 55]):
        when, told = storm(rng, 500.8 + 20 * i, [circuit], 0.2)
        at, light = np.append(at, when), np.append(light, told)
    assert len(found(at, light)) == before


def test_reports_of_one_burst_are_no_part_of_the_next() -> None:
    rng = np.random.default_rng(3)
    at, light = ordinary(rng)
    for day, circuits in ((600.8, [0, 1, 10, 11]), (640.8, [88, 89, 98, 99])):
        when, told = storm(rng, day, circuits, 0.3)
        at, light = np.append(at, when), np.append(light, told)
    some = found(at, light)
    members = np.concatenate([one.starts for one in some])
    assert len(some) >= 2
    assert len(members) == len(set(members.tolist()))


def test_a_town_without_reports_has_none() -> None:
    nothing = np.zeros(0)
    assert found(nothing, nothing.astype(int)) == []
