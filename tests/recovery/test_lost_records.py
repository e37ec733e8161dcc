"""A rough town whose papers are half lost: its rates, and wrong first repairs named.

The town is of the second simulator (``tests/rough_town``): half of the repairs name no
report, a tenth no light (half of those name only the circuit), a third come weeks late.
"""

from __future__ import annotations

import pandas as pd
import pytest

from tests.rough_town import rough_town
from tests.rough_town.asking import Asked, taken

SEED, LIGHTS = 4, 1200
FEEDS = ("cable", "line", "supply")


@pytest.fixture(scope="module")
def asked(tmp_path_factory) -> Asked:
    folder = tmp_path_factory.mktemp("lost") / "town"
    return taken(rough_town(SEED, "lost", lights=LIGHTS), folder)


@pytest.fixture(scope="module")
def said(asked: Asked) -> pd.DataFrame:
    true = asked.town.truth.hazards
    own = true[~true["kind"].isin(FEEDS)]
    return asked.rates().merge(own, on=["kind", "type"], suffixes=("", "_true"))


def test_true_rates_lie_inside_the_limits(said: pd.DataFrame) -> None:
    """Of twelve 95 % limits at least ten hold, with probability .98."""
    assert len(said) == 12
    held = said["rate_per_1000_true"].between(said["low"], said["high"])
    assert held.sum() >= 10


def test_rates_are_neither_low_nor_high_on_the_whole(said: pd.DataFrame) -> None:
    expected = said["rate_per_1000"] * said["unit_years"]
    true = said["rate_per_1000_true"] * said["unit_years"]
    assert expected.sum() == pytest.approx(true.sum(), rel=0.05)


def test_wrong_first_repairs_are_named_and_few_others(asked: Asked) -> None:
    wrong = set(asked.town.truth.wrong_repairs["repair_id"])
    named = set(asked.unheld())
    assert len(named & wrong) > 0.6 * len(wrong)
    assert len(named & wrong) > 0.6 * len(named)
