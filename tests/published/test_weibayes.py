"""Weibayes bounds against the handbook's zero-failure tables."""

from __future__ import annotations

import numpy as np
import pytest

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.rates.weibayes import WeibayesBound, weibayes
from tests.published.printed import printed
from tests.published.printed_lives import BEARING_CAGES, known_to

HANDBOOK = (
    "Abernethy et al., Weibull Analysis Handbook, AFWAL-TR-83-2079 (1983), "
    "zero-failure test plans; from memory, agrees with the closed form (shared checks)"
)
FACTORS = (
    "exponential demonstration factors, MIL-HDBK-781A and MIL-HDBK-338B, as quoted in "
    "surpyval 0.25's tests (shared checks)"
)


def none_failed(
    units: int, age: float, shape: float, confidence: float
) -> WeibayesBound:
    alive = np.full(units, np.inf)
    ages = np.full(units, age)
    return weibayes(np.zeros(units), ages, alive, shape, confidence=confidence)


@pytest.mark.parametrize(
    ("shape", "ratio"),
    [(0.5, "0.589"), (1.0, "0.767"), (1.5, "0.838"), (2.0, "0.876"), (2.5, "0.900"),
     (3.0, "0.916")],
)  # fmt: skip
def test_three_units_must_run_the_printed_share_of_the_life_to_be_shown(
    shape: float, ratio: str
) -> None:
    bound = none_failed(3, 438.0, shape, 0.9)

    assert 438.0 / bound.scale_low_years == pytest.approx(float(ratio), abs=0.001)


def test_three_units_for_438_hours_show_a_life_of_500() -> None:
    assert none_failed(3, 438.0, 2.0, 0.9).scale_low_years == printed("500", HANDBOOK)


def test_fifteen_units_for_1000_hours_show_the_printed_life() -> None:
    assert none_failed(15, 1000.0, 2.0, 0.9).scale_low_years == printed(
        "2552.3", HANDBOOK
    )


@pytest.mark.parametrize(
    ("failures", "confidence", "factor"),
    [(0, 0.9, "2.303"), (1, 0.9, "3.890"), (2, 0.9, "5.322"), (0, 0.8, "1.609"),
     (0, 0.95, "2.996")],
)  # fmt: skip
def test_with_a_constant_hazard_the_bound_is_the_demonstration_factor(
    failures: int, confidence: float, factor: str
) -> None:
    age = np.array([40.0] * 8)
    high = known_to(age, np.arange(8) < failures)
    bound = weibayes(np.zeros(8), age, high, 1.0, confidence=confidence)

    assert 320.0 / bound.scale_low_years == printed(factor, FACTORS)


@pytest.mark.parametrize(
    ("reliability", "confidence", "units"),
    [(0.95, 0.95, 59), (0.90, 0.90, 22), (0.99, 0.90, 230), (0.999, 0.90, 2302)],
)
def test_the_success_run_of_the_standard_table_shows_its_reliability(
    reliability: float, confidence: float, units: int
) -> None:
    """Standard success-run table, quoted in surpyval 0.25's tests (shared checks)."""
    for shape in (0.7, 1.0, 2.5):
        enough = none_failed(units, 3.0, shape, confidence)
        too_few = none_failed(units - 1, 3.0, shape, confidence)
        failed = 1 - reliability
        assert float(enough.quantile_low(failed * 1.0001)) >= 3.0
        assert float(too_few.quantile_low(failed)) < 3.0


def test_six_failed_bearing_cages_meet_the_closed_form() -> None:
    age, failed, count = BEARING_CAGES
    bound = weibayes(np.zeros(25), age, known_to(age, failed), 2.0, weights=count)

    assert bound.scale_years == pytest.approx(np.sqrt((age**2 @ count) / 6), rel=1e-12)
    assert bound.failures == 6
    assert bound.scale_low_years < bound.scale_years


def test_late_entry_counts_only_the_hazard_that_was_watched() -> None:
    bound = weibayes([3.0], [5.0], [np.inf], 2.0, confidence=0.9)

    assert bound.scale_low_years == pytest.approx(np.sqrt(16 / np.log(10)), rel=1e-12)
    assert bound.scale_years is None
    assert float(bound.quantile_low(-np.expm1(-1.0))) == pytest.approx(
        bound.scale_low_years
    )


def test_nothing_watched_and_no_shape_are_refused() -> None:
    with pytest.raises(NotEnoughEvidence, match="nothing was watched"):
        weibayes([2.0], [2.0], [np.inf], 2.0)
    with pytest.raises(NotEnoughEvidence, match="nothing was watched"):
        weibayes([], [], [], 2.0)
    with pytest.raises(NotUnderstood, match="shape -1 is not above zero"):
        weibayes([0.0], [1.0], [np.inf], -1)
