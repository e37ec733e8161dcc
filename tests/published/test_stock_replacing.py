"""Renewal functions, replacement ages and intermittent demand as printed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import gamma

from lightwatch.decisions.stock.renewal import renewals
from lightwatch.decisions.stock.replacing import (
    Life,
    age_cost,
    best_age,
    opportunity_cost,
    run_to_failure,
)
from lightwatch.decisions.stock.thin import tsb
from tests.published.printed import printed
from tests.recovery.stock_baselines import croston

COX = "D. R. Cox, Renewal Theory (1962), closed form for Erlang lives (shared checks)"
SMITH = (
    "W. L. Smith, M. R. Leadbetter, Technometrics 5 (1963), power series summed for "
    "the shared checks"
)
FELLER = (
    "W. Feller, An Introduction to Probability Theory II, XI: uniform lives, "
    "M(t) = exp(t) - 1 up to 1; from memory"
)
ORT = "documentation of reliability 0.9.0, optimal replacement time (shared checks)"
LUBRICANT = [0, 2, 0, 1, 0, 11, 0, 0, 0, 0, 2, 0, 6, 3, 0, 0, 0, 0, 0, 7, 0, 0, 0, 0,
             0, 0, 0, 3, 1, 0, 0, 1, 0, 1, 0, 0]  # fmt: skip
FPP = (
    "R. J. Hyndman, G. Athanasopoulos, Forecasting: Principles and Practice, 2nd ed., "
    "section 12.2 (shared checks; the printed forecast from memory)"
)


def weibull(shape: float, scale: float):
    return lambda age: -np.expm1(-((age / scale) ** shape))


def at(failed_by, *times: float, steps: int = 2000) -> list[float]:
    when, count = renewals(failed_by, max(times), steps)
    return [float(np.interp(time, when, count)) for time in times]


def life(shape: float, scale: float, years: float, steps: int) -> Life:
    ages = np.linspace(0, years, steps + 1)
    return Life(ages, np.exp(-((ages / scale) ** shape))[None])


def test_erlang_lives_are_renewed_as_often_as_the_closed_form_says() -> None:
    found = at(lambda age: gamma.cdf(age, 2, scale=0.5), 1.0, 2.0)

    assert found == pytest.approx([0.7545789097221836, 1.7500838656569757], abs=1e-5)
    closed = [2 * t / 2 - (1 - math.exp(-4 * t)) / 4 for t in (1.0, 2.0)]
    assert closed == pytest.approx([0.7545789097221836, 1.7500838656569757]), COX


def test_weibull_lives_of_shape_two_are_renewed_as_the_series_says() -> None:
    found = at(weibull(2, 1), 0.5, 1.0)

    assert found[0] == pytest.approx(0.230793894, abs=1e-6), SMITH
    assert found[1] == pytest.approx(0.753691278, abs=1e-6), SMITH


def test_weibull_lives_of_shape_three_and_mean_one_are_renewed_as_tabled() -> None:
    scale = 1 / math.gamma(1 + 1 / 3)
    found = at(weibull(3, scale), 0.5, 1.0, 1.5, 2.0)

    assert found == pytest.approx([0.0856, 0.5311, 1.085, 1.5595], abs=1e-4), SMITH


@pytest.mark.parametrize(("time", "count"), [(0.5, "0.6487"), (1.0, "1.7183")])
def test_uniform_lives_are_renewed_exponentially(time: float, count: str) -> None:
    found = at(lambda age: np.clip(age, 0, 1), time)

    assert found[0] == printed(count, FELLER)


def test_a_constant_hazard_renews_at_its_rate() -> None:
    assert at(lambda age: -np.expm1(-0.3 * age), 1.0, 7.0) == pytest.approx([0.3, 2.1])


def test_the_age_at_which_to_replace_is_that_of_the_example() -> None:
    """Costs 1 and 5, Weibull scale 1,000 and shape 2.5; its grid gives 493.19."""
    worn = life(2.5, 1000, 3000, 60_000)
    age, cost = best_age(worn, age_cost(worn, 1, 5))

    assert age[0] == pytest.approx(493.19, abs=0.2), ORT
    assert cost[0] == pytest.approx(0.003462043, abs=1e-7), ORT


def test_at_the_best_age_the_cost_is_the_hazards() -> None:
    """Barlow and Proschan: C* = (cf - cp) h(T*)."""
    worn = life(3.0, 12.0, 40, 40_000)
    age, cost = best_age(worn, age_cost(worn, 120, 180))

    assert cost[0] == pytest.approx(60 * 3 / 12 * (age[0] / 12) ** 2, rel=1e-4)


@pytest.mark.parametrize("shape", [0.7, 1.0])
def test_no_age_is_best_where_the_hazard_does_not_rise(shape: float) -> None:
    steady = life(shape, 10.0, 80.0, 8000)
    while_there = opportunity_cost(steady, 25, 180, 0.2)

    assert best_age(steady, age_cost(steady, 120, 180))[0][0] == 80.0
    assert best_age(steady, while_there)[0][0] == 80.0


@pytest.mark.parametrize(
    ("shape", "saving", "age"),
    [(1.2, 0.03, None), (2.0, 0.26, None), (3.0, 0.38, 2.5), (4.0, 0.43, None)],
)
def test_changing_it_while_there_saves_as_measured(
    shape: float, saving: float, age: float | None
) -> None:
    """Scale 12 years, failure 180, while there 25, a visit in five years.

    The method's notes measured it (shared/methods/stock-and-patrol.md, A3).
    """
    worn = life(shape, 12.0, 60.0, 12_000)
    found, cost = best_age(worn, opportunity_cost(worn, 25, 180, 0.2))
    plain = run_to_failure(worn, 180)

    assert 1 - cost[0] / plain[0] == pytest.approx(saving, abs=0.006)
    if age is not None:
        assert found[0] == pytest.approx(age, abs=0.1)


def test_running_to_failure_costs_a_failure_per_mean_life() -> None:
    worn = life(2.0, 10.0, 80.0, 8000)

    assert run_to_failure(worn, 180)[0] == pytest.approx(
        180 / (10 * math.gamma(1.5)), rel=1e-5
    )


def test_croston_forecasts_the_lubricant_as_printed() -> None:
    assert croston(LUBRICANT, 0.1) == printed("0.985", FPP)


def test_tsb_forecasts_the_lubricant_as_the_library_does() -> None:
    """statsforecast 2.1.1 gives 0.8040651022589765 (shared checks)."""
    assert tsb(LUBRICANT, 0.1, 0.1) == pytest.approx(0.8040651022589765, abs=1e-9)


def test_what_is_no_longer_used_is_forgotten() -> None:
    past = [3, 0, 2, 4, 0, 3] * 4

    assert tsb(past + [0] * 48) < 0.05 * tsb(past)
    assert croston(past + [0] * 48) == croston(past)
