"""Observed against expected: ratios by hand, who is named, what is asked."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.repeats.excess import FALSE_ALARMS, excesses
from lightwatch.decisions.repeats.lights import own_failures, repeat_lights
from lightwatch.decisions.repeats.unheld import Unheld
from lightwatch.lives import Lives
from lightwatch.lives.lives import COLUMNS
from lightwatch.nights import YEAR
from lightwatch.rates.hazards import Ageing, ageing, expected


def _lives(rows: list[tuple[str, str, float, float, bool]]) -> Lives:
    """Lives by light, type, and age [years] from and to which it was watched."""
    frame = pd.DataFrame(rows, columns=["light_id", "type", "entry", "leave", "failed"])
    frame = frame.assign(
        circuit_id="", section_id="", kind="lamp", model="", maker="", weight=1.0,
        installed=0.0, installed_last=0.0, start=frame["entry"] * YEAR,
        end=frame["leave"] * YEAR, end_repair=-1,
    )  # fmt: skip
    register = SimpleNamespace(as_of=20 * YEAR, watched_until=20 * YEAR)
    return Lives(frame[list(COLUMNS)], register)  # type: ignore[arg-type]


def test_expected_failures_are_standardised_as_by_hand():
    """Two types with one rate each: 6 in 60 years, 2 in 40; L1 has 20 and 10 of them.

    Indirect standardisation, by hand: 20 x 6/60 + 10 x 2/40 = 2.5 expected of L1.
    """
    made = _lives(
        [("L1", "hps", 0, 5, True)] * 4
        + [("L1", "mh", 0, 10, False)]
        + [("L2", "hps", 0, 20, True), ("L3", "hps", 0, 20, True)]
        + [("L2", "mh", 0, 15, True), ("L3", "mh", 0, 15, True)]
    )
    found = own_failures(made, expected(made))
    assert found.loc["L1", "expected"] == pytest.approx(2.5)
    assert found.loc["L1", "failures"] == 4
    assert found["expected"].sum() == pytest.approx(found["failures"].sum())


def test_where_a_kind_wears_out_old_lives_are_expected_to_fail_more():
    rng = np.random.default_rng(3)
    ages = 8.0 * rng.weibull(3.0, 400)
    made = _lives(
        [(f"L{i}", "hps", 0.0, float(age), True) for i, age in enumerate(ages)]
    )
    law = ageing(made)["lamp", "hps"]
    assert law.shape == pytest.approx(3.0, rel=0.12)
    wanted = expected(made)
    assert wanted.sum() == pytest.approx(400)
    old, young = wanted[ages > 10].mean(), wanted[ages < 4].mean()
    assert old > 5 * young


def test_a_hazard_between_two_ages_is_its_integral():
    law = Ageing(0.1, shape=2.0, scale_years=10.0)
    ages = np.linspace(3.0, 5.0, 4001)
    by_sum = law.per_year(ages).mean() * 2.0
    found = law.between(np.array([3.0]), np.array([5.0]))[0]
    assert found == pytest.approx(by_sum, rel=1e-5)
    flat = Ageing(0.1)
    assert flat.between(np.zeros(1), np.full(1, 2.0))[0] == pytest.approx(0.2)


def _sums(failures: np.ndarray, wanted: np.ndarray) -> pd.DataFrame:
    names = [f"C{i}" for i in range(len(failures))]
    return pd.DataFrame({"failures": failures, "expected": wanted}, names)


def test_excess_is_drawn_to_that_of_all_and_most_where_little_is_known():
    rng = np.random.default_rng(8)
    wanted = np.concatenate([[0.2, 8.0], np.full(300, 2.0)])
    failures = np.concatenate([[2, 80], rng.poisson(2.0 * rng.gamma(2, 0.5, 300))])
    found = {one.name: one for one in excesses(_sums(failures, wanted))}
    assert found["C0"].ratio < 3.5 < 10.0
    assert found["C1"].ratio > 6.0
    for one in found.values():
        assert one.low <= one.ratio <= one.high


def test_false_alarms_among_the_named_are_few():
    """40 worlds of 500 without excess, 20 with four times the failures; seeded."""
    rng = np.random.default_rng(9)
    named = wrong = 0
    for _ in range(40):
        wanted = rng.uniform(0.5, 4.0, 520)
        truly = np.arange(520) >= 500
        failures = rng.poisson(wanted * np.where(truly, 4.0, 1.0))
        some = [one for one in excesses(_sums(failures, wanted)) if one.named]
        named += len(some)
        wrong += sum(int(one.name[1:]) < 500 for one in some)
    assert named > 40
    assert wrong / named <= FALSE_ALARMS


def test_nothing_expected_is_no_excess():
    assert excesses(_sums(np.zeros(0), np.zeros(0))) == []
    assert excesses(_sums(np.zeros(3), np.zeros(3))) == []


def _unheld(light: str, days: float) -> Unheld:
    return Unheld("W1", light, "photocontrol", days, "driver", "W2")


def test_a_light_says_what_failed_how_often_and_what_to_ask():
    made = _lives([("L1", "hps", at, at + 0.5, True) for at in (0.0, 0.5, 1.0)])
    own = own_failures(made, expected(made))
    (light,) = repeat_lights(made, own, [_unheld("L1", 6.0), _unheld("L1", 45.0)])
    assert (
        light.why == "lamp three times in 12 months; twice a repair that did not hold"
    )
    assert (light.unheld, light.callbacks) == (2, 1)
    assert any("wattage" in question for question in light.ask)
    assert not any("crew" in question for question in light.ask)


def test_a_light_that_failed_once_is_shown_only_for_a_repair_that_did_not_hold():
    made = _lives([("L1", "hps", 0, 3, True), ("L2", "hps", 0, 3, True)])
    own = own_failures(made, expected(made))
    assert repeat_lights(made, own, []) == []
    (light,) = repeat_lights(made, own, [_unheld("L2", 3.0)])
    assert light.light_id == "L2"
