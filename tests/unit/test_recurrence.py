"""Repeated failures: the variance, late entry, trend tests, and refusals."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.recurrence import Histories, histories, mean_cumulative
from lightwatch.rates.trend import laplace, log_times, power_law


def robust_error(history: Histories) -> npt.NDArray[np.float64]:
    """Return the error by the definition: squares of each unit's own deviation."""
    deviation, found = np.zeros(history.units), []
    for age in np.unique(history.age):
        watched = (history.entry_age < age) & (age <= history.exit_age)
        own = np.bincount(history.unit[history.age == age], minlength=history.units)
        mean = own.sum() / watched.sum()
        deviation += watched * (own - mean) / watched.sum()
        found.append(np.sqrt((deviation**2).sum()))
    return np.array(found)


def drawn(seed: int, units: int, failures: int) -> Histories:
    rng = np.random.default_rng(seed)
    entry = rng.integers(0, 5, units).astype(float)
    leave = entry + rng.integers(1, 20, units)
    unit = rng.integers(0, units, failures)
    age = rng.integers(entry[unit] + 1, leave[unit] + 1).astype(float)
    return histories(leave, unit, age, entry)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 30), st.integers(1, 80))
def test_errors_are_the_squared_deviations_of_units_with_ties_and_late_entry(
    seed: int, units: int, failures: int
) -> None:
    history = drawn(seed, units, failures)

    assert mean_cumulative(history).error == pytest.approx(
        robust_error(history), abs=1e-7
    )


def test_a_unit_that_fails_again_and_again_widens_the_limits() -> None:
    spread = histories([10.0] * 8, range(8), np.arange(1, 9.0))
    one = histories([10.0] * 8, [0] * 8, np.arange(1, 9.0))

    apart, together = mean_cumulative(spread), mean_cumulative(one)
    assert apart.mean[-1] == together.mean[-1] == pytest.approx(1.0)
    assert together.error[-1] > 2 * apart.error[-1] + 0.5


def test_before_the_first_failure_the_mean_is_zero() -> None:
    assert mean_cumulative(drawn(3, 10, 20)).at(0.0) == (0.0, 0.0, 0.0)


def test_after_the_last_watch_there_is_no_mean() -> None:
    """Two failures at 1 and 2; the last watch ends at 4."""
    found = mean_cumulative(histories([3.0, 4.0], [0, 1], [1.0, 2.0]))

    assert found.at(4.0)[0] == found.at(2.0)[0] == pytest.approx(1.0)
    with pytest.raises(NotEnoughEvidence, match=r"nothing was watched at 4\.5"):
        found.at(4.5)


def test_no_failures_are_refused_with_a_reason() -> None:
    none = histories([5.0, 6.0], [], [])

    for ask in (mean_cumulative, laplace, log_times, power_law):
        with pytest.raises(NotEnoughEvidence):
            ask(none)


def test_a_failure_outside_the_watch_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="outside"):
        histories([5.0], [0], [6.0])


def test_tests_of_trend_do_not_care_when_the_watch_began() -> None:
    times = np.array([1.0, 2.5, 2.6, 7.0])
    early, late = histories([9], [0] * 4, times), histories([109], [0] * 4, times + 100,
                                                            100)  # fmt: skip

    assert laplace(late).pooled == pytest.approx(laplace(early).pooled)
    assert log_times(late).pooled == pytest.approx(log_times(early).pooled)


def test_units_are_tested_one_by_one_and_together() -> None:
    found = laplace(histories([10, 10, 10], [0, 0, 1, 1], [1, 2, 8, 9]))

    assert found.statistic[0] == pytest.approx(-found.statistic[1])
    assert np.isnan(found.statistic[2])
    assert np.isnan(found.p_value[2])
    assert found.pooled == pytest.approx(0)
    assert found.failures.tolist() == [2, 2, 0]


def power_histories(rng: np.random.Generator, shape: float) -> Histories:
    entry, leave = rng.uniform(0, 3, 6), rng.uniform(6, 12, 6)
    low, high = entry**shape, leave**shape
    count = rng.poisson(0.15 * (high - low))
    unit = np.repeat(np.arange(6), count)
    age = rng.uniform(low[unit], high[unit]) ** (1 / shape)
    return histories(leave, unit, age, entry)


@pytest.mark.slow
def test_the_limits_of_the_shape_cover_it_with_late_entry() -> None:
    rng, inside = np.random.default_rng(8), []
    for _ in range(200):
        found = power_law(power_histories(rng, 1.8))
        assert not found.exact
        inside.append(found.shape_low <= 1.8 <= found.shape_high)
    assert 0.90 <= np.mean(inside) <= 0.985


def test_exact_and_profile_limits_are_close_where_both_apply() -> None:
    times = np.sort(np.random.default_rng(2).uniform(0, 100, 60)) + 1e-9
    exact = power_law(histories([100.0], [0] * 60, times))
    profile = power_law(histories([100.0], [0] * 60, times, 1e-12))

    assert exact.exact
    assert not profile.exact
    assert profile.shape == pytest.approx(exact.shape, rel=1e-6)
    assert profile.shape_low == pytest.approx(exact.shape_low, rel=0.03)
    assert profile.shape_high == pytest.approx(exact.shape_high, rel=0.03)


def test_steady_failures_reject_a_steady_rate_as_often_as_they_should() -> None:
    rng = np.random.default_rng(4)
    unit = np.repeat(np.arange(2000), 12)
    history = histories(np.full(2000, 7.0), unit, 7 * (1 - rng.random(unit.size)))

    for test in (laplace, log_times):
        assert 0.035 < np.mean(test(history).p_value < 0.05) < 0.065
