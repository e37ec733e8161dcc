"""Supply trees whose posteriors were worked out by enumeration, and next-best tests."""

from __future__ import annotations

import numpy as np
import pytest

from lightwatch.decisions.triage.next_test import (
    SOURCE,
    best_check,
    checks_needed,
    entropy_bits,
    gain_bits,
)
from lightwatch.decisions.triage.tree import Forest, faults

TREES = {
    "tree-chain-3": {
        "parent": [-1, 0, 1],
        "lamps_at": [0, 1, 2],
        "q": [0.01, 0.01, 0.01],
        "own": 0.02,
        "rep": 0.5,
        "fal": 0.001,
        "reported": [1, 2],
        "seen_lit": [],
        "eps": 0.0,
        "expected": {
            "p_any": 0.970079367274,
            "p_section": [0.323270033489, 0.633046646472, 0.013762687313],
            "log_evidence": -5.5553444396,
        },
    },
    "tree-chain-5-lit": {
        "parent": [-1, 0, 1, 2, 3],
        "lamps_at": [0, 1, 2, 3, 4],
        "q": [0.01, 0.01, 0.01, 0.01, 0.01],
        "own": 0.02,
        "rep": 0.3,
        "fal": 0.002,
        "reported": [2, 4],
        "seen_lit": [0],
        "eps": 0.02,
        "expected": {
            "p_any": 0.94859252336,
            "p_section": [
                0.005582424933,
                0.378477089305,
                0.531013953653,
                0.013948674535,
                0.019570380935,
            ],
            "log_evidence": -6.8070316107,
        },
    },
    "tree-fork-two-faults": {
        "parent": [-1, 0, 0, 1, 1, 2, 2],
        "lamps_at": [1, 2, 3, 4, 5, 6],
        "q": [0.001, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01],
        "own": 0.01,
        "rep": 0.6,
        "fal": 0.002,
        "reported": [1, 3, 4, 6],
        "seen_lit": [2],
        "eps": 0.02,
        "expected": {
            "p_any": 0.999872919513,
            "p_section": [
                0.014384590677,
                0.984919380673,
                0.001438036131,
                0.000300439699,
                0.000300439699,
                0.003992201898,
                0.424818652908,
            ],
            "log_evidence": -10.454064506,
        },
    },
}
"""Enumeration of all 2^n fault sets of the stated model: section i is faulted with
chance q, a lamp dark by that or with chance ``own`` by itself; a dark lamp is reported
with chance ``rep``, a lit one with ``fal``; seen lit errs with ``eps``."""


def _likelihood(light, data, dark):
    reported = light in data["reported"]
    lit_seen = light in data["seen_lit"]
    out = data["own"] if not dark else 1.0
    chance = 0.0
    for is_out, weight in ((True, out), (False, 1 - out)):
        told = data["rep"] if is_out else data["fal"]
        value = told if reported else 1 - told
        if lit_seen:
            value *= data["eps"] if is_out else 1 - data["eps"]
        chance += weight * value
    return chance


@pytest.mark.parametrize("name", TREES)
def test_posteriors_equal_the_enumerated_ones(name):
    data = TREES[name]
    expected = data["expected"]
    n = len(data["parent"])
    evidence = np.zeros((n, 2))
    for node in data["lamps_at"]:
        for column, dark in enumerate((True, False)):
            evidence[node, column] += np.log(_likelihood(node, data, dark))
    q = np.array(data["q"])
    found = faults(Forest(np.array(data["parent"])), evidence, q / (1 - q), np.ones(1))
    none = evidence[:, 1].sum() - found.log_evidence[0]
    assert 1 - np.exp(none) == pytest.approx(expected["p_any"], abs=1e-9)
    np.testing.assert_allclose(found.at_fault, expected["p_section"], atol=1e-9)
    log_evidence = found.log_evidence[0] + np.log1p(-q).sum()
    assert log_evidence == pytest.approx(expected["log_evidence"], abs=1e-9)


def _chain(posterior):
    names = [f"S{i}" for i in range(1, len(posterior) + 1)]
    ways = {name: tuple(reversed(names[: i + 1])) for i, name in enumerate(names)}
    return dict(zip(names, posterior, strict=True)), ways


def test_eight_equal_sections_take_three_tests_of_one_bit():
    """Identity: log2 8 tests, each of the entropy of 1/2."""
    chances, ways = _chain([0.125] * 8)
    best = best_check(chances, ways)
    assert entropy_bits(best.dead) == pytest.approx(1.0, abs=1e-12)
    assert checks_needed(chances, ways, sure=1.0) == pytest.approx(3.0, abs=1e-12)


def test_a_dyadic_chain_takes_as_many_tests_as_it_has_bits():
    """Identity: the entropy of 1/2, 1/4, 1/8, 1/8 is 1.75 bits."""
    chances, ways = _chain([0.5, 0.25, 0.125, 0.125])
    best = best_check(chances, ways)
    assert best.place == "S1"
    assert entropy_bits(best.dead) == pytest.approx(1.0, abs=1e-12)
    assert checks_needed(chances, ways, sure=1.0) == pytest.approx(1.75, abs=1e-12)


def test_a_noisy_test_tells_what_a_binary_symmetric_channel_carries():
    """Cover and Thomas, Elements of Information Theory, section 7.1.4, from memory."""
    assert gain_bits(0.5, 0.95) == pytest.approx(0.7136030428840436, abs=1e-12)


def test_the_source_is_tested_first_where_it_is_as_likely_as_a_section():
    chances, ways = _chain([0.5, 0.25])
    best = best_check({SOURCE: 0.5, **chances}, ways)
    assert best.place == SOURCE
