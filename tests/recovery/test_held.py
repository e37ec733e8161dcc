"""Repairs that did not hold are named: the truth of an invented city is the judge."""

from __future__ import annotations

import pytest

from lightwatch.detection.held import LAST_DAYS
from tests.recovery.misdiagnosed import Flagged, flagged


@pytest.fixture(scope="module")
def city() -> Flagged:
    return flagged(11)


def test_wrong_first_repairs_are_found_and_few_others_accused(city: Flagged) -> None:
    assert city.wrong > 500
    assert city.recall >= 0.8
    assert city.precision >= 0.8


def test_each_says_when_trouble_was_back_and_what_ended_it(city: Flagged) -> None:
    assert all(0 < one.again_after_days <= LAST_DAYS for one in city.found)
    ended = [one for one in city.found if one.finally_]
    assert len(ended) > 0.9 * len(city.found)
    assert all(one.finally_repair != one.repair_id for one in ended)
