"""Bad circuits on simulated feeds whose factors are known; a tenth of the study."""

from __future__ import annotations

import numpy as np
import pytest

from tests.recovery.repeats_study import Ranked, ranked, world

WORLDS = 6


@pytest.fixture(scope="module")
def judged() -> list[Ranked]:
    return [ranked(world(seed)) for seed in range(WORLDS)]


def test_the_true_excess_lies_inside_its_limits(judged: list[Ranked]) -> None:
    """95 % limits; 2,400 circuits, of which those of one world hang together."""
    covered = np.concatenate([one.covered for one in judged])
    assert 0.93 <= covered.mean() <= 0.97


def test_the_worst_circuits_are_ranked_as_well_as_faults_can_tell(
    judged: list[Ranked],
) -> None:
    ours, best = (
        sum(getattr(one, name) for one in judged) for name in ("ours", "best")
    )
    total = sum(one.total for one in judged)
    assert ours >= 0.85 * best
    assert ours >= 3 * 0.05 * total


def test_as_many_faults_come_as_are_said_to(judged: list[Ranked]) -> None:
    assert np.mean([one.ratio for one in judged]) == pytest.approx(1.0, abs=0.1)
