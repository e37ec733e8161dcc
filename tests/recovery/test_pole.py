"""The loop of tests at poles on seeded cable faults: a fixed tenth of the bench.

The full study is ``python -m tests.bench.pole``.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

import numpy as np
import pytest

from demo_city import Parameters
from lightwatch.decisions.triage.next_test import SOURCE
from tests.recovery.pole_study import Town, study, town

FAULTS = 20


@pytest.fixture(scope="module")
def opened() -> Iterator[Town]:
    with town(Parameters.city(), 1) as found:
        yield found


@pytest.fixture(autouse=True)
def _same_faults(opened: Town) -> None:
    opened.rng = np.random.default_rng(11)


@pytest.mark.slow
def test_the_loop_names_the_section_in_as_many_tests_as_the_card_said(
    opened: Town,
) -> None:
    rows = study(opened, FAULTS)
    assert rows["right"].all()
    assert not rows["looped"].any()
    more = rows["tests"] - rows["expected"]
    error = more.std() / len(rows) ** 0.5
    assert abs(more.mean()) <= 0.1 * rows["expected"].mean() + 2 * error
    assert rows["tests"].mean() < 0.6 * rows["halving"].mean()
    assert rows["tests"].mean() < 0.6 * rows["walking"].mean()


@pytest.mark.slow
def test_one_wrong_reading_in_twenty_is_survived(opened: Town) -> None:
    rows = study(opened, FAULTS, wrong=0.05)
    assert not rows["looped"].any()
    assert rows["right"].mean() >= 0.8


@pytest.mark.slow
def test_live_before_and_dead_after_is_the_answer_whatever_was_likeliest(
    opened: Town,
) -> None:
    named = []
    for fault in islice(opened.faults(), FAULTS):
        way = opened.feeds[fault.section]
        before = way[1] if len(way) > 1 else SOURCE
        both = [opened.reading(fault, one, right=True) for one in (before, way[0])]
        card = opened.card(fault, both)
        assert card
        assert any(one.startswith("tested: ") for one in card.why)
        named.append(dict(card.sections).get(fault.section, 0.0) > 0.9)
    assert np.mean(named) >= 0.8
