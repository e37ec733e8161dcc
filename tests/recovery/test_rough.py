"""A small rough town, loaded and asked by commands, held to what is so.

The town is mild (``tests/rough_town``): storms, some lost papers, some drawings wrong.
It is asked when most faults are known by four lights or more. All of 7 were found and
all of 7 alarms right when this was written; the bounds stand three standard deviations
of a binomial below nine in ten. ``python -m tests.bench.rough`` has the figures of big
towns at blind moments and about storms, which are worse.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
import pandas as pd
import pytest

from tests.rough_town import Truth, rough_town
from tests.rough_town.asking import Asked, taken
from tests.rough_town.judging import SUPPLY, Judged, judged, known_out

pytestmark = pytest.mark.slow

SEVERAL = 4
SEED, LIGHTS = 11, 2000


def worst_days(truth: Truth, many: int) -> list[float]:
    """Return instants when most faults were known by several lights, months apart."""
    days = np.arange(truth.days - 4 * 365.0, truth.days - 1, 9.0) + 0.35
    faults = {
        day: sum(
            len(known_out(truth, fault, day)) >= SEVERAL and kind in SUPPLY
            for fault, kind in truth.feeds_at(day)["kind"].items()
        )
        for day in days
    }
    chosen: list[float] = []
    for day in sorted(faults, key=lambda one: (-faults[one], one)):
        if all(abs(day - other) > 60 for other in chosen):
            chosen.append(float(day))
    return sorted(chosen[:many])


def least(rate: float, cases: int) -> float:
    """Return three standard deviations below a ratio of so many cases."""
    return rate - 3 * sqrt(rate * (1 - rate) / cases)


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    town = rough_town(SEED, "mild", lights=LIGHTS)
    return taken(town, tmp_path_factory.mktemp("rough") / "town")


@pytest.fixture(scope="module")
def answers(asked: Asked) -> list[Judged]:
    truth = asked.town.truth
    return [judged(truth, day, asked.outages(day)) for day in worst_days(truth, 3)]


def test_faults_that_several_lights_tell_of_are_found(answers: list[Judged]) -> None:
    rows = pd.concat([one.faults for one in answers])
    rows = rows[rows["kind"].isin(SUPPLY) & (rows["known"] >= SEVERAL)]
    assert len(rows) >= 5
    assert rows["found"].mean() >= least(0.9, len(rows))


def test_supply_alarms_are_right(answers: list[Judged]) -> None:
    rows = pd.concat([one.alarms for one in answers])
    assert len(rows) >= 5
    assert rows["right"].mean() >= least(0.9, len(rows))


def test_what_is_said_is_as_often_so(answers: list[Judged]) -> None:
    rows = pd.concat([one.circuits for one in answers])
    base = rows["positive"].mean()
    score = ((rows["chance"] - rows["positive"]) ** 2).mean()
    assert score < base * (1 - base)


def test_rates_are_true(asked: Asked) -> None:
    true = asked.town.truth.hazards
    rows = asked.rates().merge(true, on=["kind", "type"], suffixes=("", "_true"))
    held = rows["rate_per_1000_true"].between(rows["low"], rows["high"])
    assert len(rows) == 15
    assert held.mean() >= least(0.95, len(rows))


def test_circuits_said_to_be_wrong_are(asked: Asked) -> None:
    truth = asked.town.truth
    on = truth.recorded_circuit
    wrong = np.flatnonzero((on >= 0) & (on != truth.circuit))
    named = {int(one[1:]): int(to[1:]) for one, to in asked.doubted().items()}
    right = sum(truth.circuit[light] == circuit for light, circuit in named.items())
    assert len(wrong) >= 15
    assert right / len(named) >= least(0.9, len(named))
    assert len(set(named) & set(wrong.tolist())) >= least(0.6, len(wrong)) * len(wrong)
