"""Exact inference on supply trees, held to the enumeration of every set of faults."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightwatch.decisions.triage.evidence import (
    Lights,
    Looks,
    night_edges,
    weigh,
)
from lightwatch.decisions.triage.tree import Anew, Forest, fault_evidence, faults
from lightwatch.decisions.triage.wiring import _spanning


def enumerated(parent, evidence, per_night, nights):
    """Sum over every set of faulted sections, each at every onset."""
    n, bins = len(parent), len(nights)
    total, onset, state = 0.0, np.zeros((n, bins)), np.zeros((n, bins + 1))
    for chosen in product(range(bins + 1), repeat=n):
        weight, reached, fed = 1.0, [bins] * n, [bins] * n
        for v in range(n):
            fed[v] = reached[parent[v]] if parent[v] >= 0 else bins
            reached[v] = min(fed[v], chosen[v])
            if chosen[v] < bins:
                weight *= per_night[v] * nights[chosen[v]]
            weight *= np.exp(evidence[v, reached[v]])
        total += weight
        for v in range(n):
            state[v, reached[v]] += weight
            if chosen[v] < fed[v]:
                onset[v, chosen[v]] += weight
    return np.log(total), onset / total, state / total


@st.composite
def _trees(draw):
    n, bins = draw(st.integers(1, 5)), draw(st.integers(1, 4))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    parent = np.array([-1, *(rng.integers(0, i) for i in range(1, n))])
    return (
        parent,
        rng.normal(0, draw(st.sampled_from([0.5, 3.0, 12.0])), (n, bins + 1)),
        rng.uniform(0, draw(st.sampled_from([1e-6, 0.3])), n),
        rng.uniform(0.5, 3.0, bins),
    )


@settings(deadline=None, max_examples=150)
@given(_trees())
def test_the_posterior_is_that_of_enumerating_all_fault_sets(tree):
    parent, evidence, per_night, nights = tree
    found = faults(Forest(parent), evidence, per_night, nights)
    total, onset, state = enumerated(*tree)
    assert found.log_evidence[0] == pytest.approx(total, abs=1e-9)
    np.testing.assert_allclose(found.onset, onset, atol=1e-9)
    np.testing.assert_allclose(found.state, state, atol=1e-9)
    assert fault_evidence(Forest(parent), evidence, per_night, nights)[0] == (
        pytest.approx(total, abs=1e-9)
    )


def test_trees_side_by_side_do_not_touch_each_other():
    rng = np.random.default_rng(3)
    nights = np.array([2.0, 1.0])
    parts = [np.array([-1, 0, 1]), np.array([-1, 0, 0, 1])]
    both = np.concatenate([parts[0], np.where(parts[1] < 0, -1, parts[1] + 3)])
    evidence, per_night = rng.normal(0, 2, (7, 3)), rng.uniform(0, 0.2, 7)
    together = faults(Forest(both), evidence, per_night, nights)
    for parent, rows in zip(parts, (slice(0, 3), slice(3, 7)), strict=True):
        own = faults(Forest(parent), evidence[rows], per_night[rows], nights)
        np.testing.assert_allclose(together.state[rows], own.state, atol=1e-12)


def test_a_section_that_feeds_itself_is_refused():
    with pytest.raises(ValueError, match="feeds itself"):
        _ = Forest(np.array([-1, 2, 1])).levels


def _lights(n, **given):
    usual = {
        "since": np.inf, "slip": 0.03, "told": np.nan, "told_shared": 1.0,
        "told_own": 1.0, "own_per_night": 3e-4, "report_per_night": 0.05,
        "first_per_night": 0.02, "later_per_night": 0.03, "begun": 0.0,
        "false_per_night": 1e-4, "silent": 0.0,
        "waited": 0.0, "at_once": False,
    }  # fmt: skip
    values = {**usual, **given}
    return Lights(**{k: np.broadcast_to(v, n).astype(float) for k, v in values.items()})


NOTHING = Looks(
    np.zeros(0, dtype=int), np.zeros(0), np.zeros(0, dtype=bool), np.zeros(0),
    np.zeros(0),
)  # fmt: skip


def test_lights_on_a_tree_weigh_as_their_own_failures_are_enumerated():
    """Own onset and shared onset enumerated together, by hand-written likelihoods."""
    edges = np.array([12.0, 6.0, 3.0, 0.0])
    nights = -np.diff(edges)
    parent, node = np.array([-1, 0, 1]), np.array([0, 1, 2])
    told = np.array([np.nan, 3.0, 3.0])
    looks = Looks(
        np.array([0, 1]), np.array([3.0, 6.0]), np.array([False, False]),
        np.array([0.95, 0.95]), np.array([0.005, 0.005]),
    )  # fmt: skip
    lights = _lights(3, told=told, begun=3.0)
    weighed = weigh(lights, looks, edges)
    per_night = np.array([1e-4, 2e-4, 5e-4])
    evidence = np.column_stack([weighed.shared, np.zeros(3)])
    found = faults(Forest(parent), evidence[node], per_night, nights)

    def likelihood(i, own, shared):
        """Of light i, dark by itself since bin own and by its feed since shared."""
        first = min(own, shared)
        unheard, heard = (0.05, 0.05) if own < shared else (0.02, 0.03)
        reported = np.isfinite(told[i])
        until = told[i] if reported else 0.0
        value = 1.0
        if first < 3:
            middle, end = (edges[first] + edges[first + 1]) / 2, edges[first + 1]
            until_first = max(until, 3.0)
            before = (middle - until_first) if end >= until_first else 0.0
            dark = (middle - until) if end >= until else 0.0
            value = np.exp(-unheard * before - heard * (dark - before))
        if reported:
            value *= unheard * (first < 3 and edges[first + 1] >= until) + 1e-4
        for light, age in zip(looks.light, looks.age, strict=True):
            if light == i:
                is_dark = first < 3 and edges[first + 1] >= age
                value *= 0.05 if is_dark else 1 - 0.005
        return value

    total, dark = 0.0, np.zeros(3)
    for chosen in product(range(4), repeat=3):
        weight, shared = 1.0, 3
        states = []
        for v in range(3):
            shared = min(shared, chosen[v])
            states.append(shared)
            if chosen[v] < 3:
                weight *= per_night[v] * nights[chosen[v]]
        for i in range(3):
            own = [3e-4 * nights[j] for j in range(3)]
            weight *= sum(
                (own[j] if j < 3 else 1 - sum(own)) * likelihood(i, j, states[i])
                for j in range(4)
            )
        total += weight
        dark += weight * (np.array(states) < 3)
    np.testing.assert_allclose(found.dark, dark / total, atol=1e-9)


def test_silence_and_a_light_seen_lit_speak_against_a_shared_fault():
    edges = night_edges()
    silent = weigh(_lights(1), NOTHING, edges).shared[0]
    passed = Looks(
        np.zeros(1, dtype=int),
        np.ones(1),
        np.zeros(1, bool),
        np.full(1, 0.95),
        np.full(1, 0.005),
    )
    lit = weigh(_lights(1), passed, edges).shared[0]
    assert (silent < 0).all()
    assert (np.diff(silent) >= 0).all()
    old = edges[:-1] > 3
    assert (lit[old] < silent[old] - 2.9).all()


def test_a_report_speaks_for_darkness_that_began_before_it():
    edges = night_edges()
    told = weigh(_lights(1, told=5.0), NOTHING, edges).shared[0]
    before = edges[1:] >= 5.0
    after = edges[:-1] <= 5.0
    assert told[before].max() > 3
    assert (told[after] <= 1e-9).all()


def test_what_was_before_the_last_work_on_a_light_is_answered():
    edges = night_edges()
    worked = _lights(1, since=4.0, slip=0.002)
    shared = weigh(worked, NOTHING, edges).shared[0]
    assert (shared[edges[1:] >= 4.5] < np.log(0.01)).all()


def test_a_light_reported_twice_by_error_rates_is_its_own_or_lit():
    edges = night_edges()
    weighed = weigh(_lights(1, told=5.0), NOTHING, edges)
    assert weighed.own_if_fed[0] + weighed.false_if_fed[0] == pytest.approx(1.0)
    assert 0.5 < weighed.own_if_fed[0] < 1.0


def _cut(parent, begins):
    """Return the trees that are left where feeds begin anew."""
    return np.where(begins, -1, parent)


@settings(deadline=None, max_examples=60)
@given(_trees(), st.integers(0, 2**32 - 1))
def test_every_way_of_cutting_a_tree_into_feeds_is_summed_over(tree, seed):
    parent, evidence, per_night, nights = tree
    n, bins = len(parent), len(nights)
    rng = np.random.default_rng(seed)
    anew = Anew(np.where(parent < 0, 0.0, rng.uniform(0, 1, n)), rng.uniform(0, 0.2, n))
    total, onset, state = 0.0, np.zeros((n, bins)), np.zeros((n, bins + 1))
    for begins in product([False, True], repeat=n - 1):
        cut = np.array([False, *begins])
        rate = per_night + cut * anew.per_night
        log_z, began, dark = enumerated(_cut(parent, cut), evidence, rate, nights)
        chance = np.prod(np.where(cut, anew.chance, 1 - anew.chance))
        weight = chance * np.exp(log_z) / np.prod((1 + rate * nights.sum())[1:])
        total += weight
        onset += weight * began
        state += weight * dark
    found = faults(Forest(parent), evidence, per_night, nights, anew)
    assert found.log_evidence[0] == pytest.approx(
        np.log(total) - np.log1p(per_night[0] * nights.sum()), abs=1e-9
    )
    np.testing.assert_allclose(found.onset, onset / total, atol=1e-9)
    np.testing.assert_allclose(found.state, state / total, atol=1e-9)


def test_what_is_not_drawn_hangs_on_the_nearest_that_is():
    place = np.array([[0.0, 0.0], [80.0, 0.0], [25.0, 0.0], [55.0, 0.0]])
    drawn = np.array([True, True, False, False])
    above, length = _spanning(place, np.zeros(4), 0, drawn)
    assert above[2:].tolist() == [0, 1]
    assert length[2:] == pytest.approx([25.0, 25.0])
    assert _spanning(place, np.zeros(4), 0)[0].tolist()[3] == 2
