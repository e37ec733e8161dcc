"""Shrinkage where there is little or nothing to shrink by."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates import RateRow, exact_rate
from lightwatch.rates.shrinkage import ALONE, EVEN, NO_FAILURES, shrink
from lightwatch.rates.thin import shrunk


def test_one_group_gets_its_own_rate_and_exact_limits() -> None:
    found = shrink([4], [250.0])
    alone = exact_rate(4, 250.0)

    assert found.note == ALONE
    assert found.rate[0] == alone.per_year
    assert found.low[0] == pytest.approx(alone.low_per_year)
    assert found.high[0] == pytest.approx(alone.high_per_year)


def test_no_failures_anywhere_gives_zero_and_the_upper_limit_of_all_together() -> None:
    found = shrink([0, 0, 0], [10.0, 20.0, 70.0])

    assert found.note == NO_FAILURES
    assert found.rate.tolist() == [0, 0, 0]
    assert found.low.tolist() == [0, 0, 0]
    assert found.high == pytest.approx([exact_rate(0, 100.0).high_per_year] * 3)


def test_groups_that_differ_no_more_than_chance_get_the_pooled_rate() -> None:
    found = shrink([10, 21, 29], [100.0, 200.0, 300.0])

    assert found.note == EVEN
    assert np.isinf(found.prior_shape)
    assert found.rate == pytest.approx([0.1] * 3)
    pooled = shrink([10, 21, 29], [100.0, 200.0, 300.0], law_known=True)
    assert pooled.high == pytest.approx([exact_rate(60, 600.0).high_per_year] * 3)
    assert np.all(found.high > pooled.high)
    assert np.all(found.low < pooled.low)


def test_a_group_never_watched_gets_the_law_of_the_others() -> None:
    seen = shrink([0, 5, 40], [10.0, 10.0, 40.0])
    found = shrink([0, 5, 40, 0], [10.0, 10.0, 40.0, 0.0])

    assert found.prior_shape == pytest.approx(seen.prior_shape)
    assert found.rate[3] == pytest.approx(found.prior_mean)
    assert found.rate[:3] == pytest.approx(seen.rate)


def test_nothing_watched_is_refused() -> None:
    with pytest.raises(NotEnoughEvidence):
        shrink([0, 0], [0.0, 0.0])


def test_failures_without_exposure_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="negative"):
        shrink([1, 0], [0.0, 2.0])


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.floats(0.5, 200.0)), min_size=2, max_size=25
    ),
    st.floats(0.01, 100.0),
)
def test_the_answer_keeps_its_order_and_its_units(
    groups: list[tuple[int, float]], unit: float
) -> None:
    failures, exposure = np.array(groups).T
    found = shrink(failures, exposure)
    other = shrink(failures, exposure * unit)

    assert np.all((found.low <= found.rate) & (found.rate <= found.high))
    assert other.rate * unit == pytest.approx(found.rate, rel=1e-5, abs=1e-12)
    assert found.note == other.note


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 6).map(lambda power: int(10**power) - 1),
            st.floats(-3, 5).map(lambda power: 10**power),
        ),
        min_size=1,
        max_size=25,
    ),
    st.integers(0, 3),
    st.sampled_from([0.5, 0.8, 0.95, 0.999]),
)
@example([(0, 1.0), (0, 1.0), (9, 100_000.0)], 0, 0.95)
def test_an_estimate_lies_inside_its_own_limits(
    groups: list[tuple[int, float]], unwatched: int, confidence: float
) -> None:
    failures, exposure = np.array(groups + [(0, 0.0)] * unwatched).T
    found = shrink(failures, exposure, confidence)

    assert np.all(np.isfinite([found.rate, found.low, found.high]))
    assert np.all((found.low <= found.rate) & (found.rate <= found.high))


def test_many_failures_are_believed_however_much_groups_differ() -> None:
    """Such groups lean on nothing: their limits are nearly those of each alone."""
    failures = np.array([30, 1000, 10_000, 100_000, 10_000, 9000, 20_000])
    found = shrink(failures, np.ones(failures.size))
    alone = [exact_rate(count, 1.0) for count in failures]

    assert found.low[2:] == pytest.approx([a.low_per_year for a in alone[2:]], rel=1e-3)
    assert found.high[0] == pytest.approx(alone[0].high_per_year, rel=0.05)
    assert found.low[0] == pytest.approx(alone[0].low_per_year, rel=0.05)


def test_a_group_without_failures_is_not_called_like_one_of_many() -> None:
    """None where ten were expected; the sum of squares alone would not show it."""
    found = shrink([0, 999], [1.0, 100.0])

    assert not found.note
    assert found.rate[0] < 1
    assert found.low[1] < found.rate[1] < found.high[1]


def test_groups_of_a_million_failures_that_differ_are_not_called_alike() -> None:
    rng = np.random.default_rng(3)
    failures = rng.poisson(4e6 * rng.gamma(4e5, 1 / 4e5, 60))
    found = shrink(failures, np.full(60, 4e6))

    assert not found.note
    assert 2e5 < found.prior_shape < 8e5


@pytest.mark.parametrize("groups", [8, 40])
def test_limits_hold_the_true_rates_about_as_often_as_they_say(groups: int) -> None:
    rng = np.random.default_rng(5)
    inside, narrow = [], []
    for _ in range(40):
        rate = rng.gamma(4.0, 0.025, groups)
        exposure = rng.uniform(5, 100, groups)
        failures = rng.poisson(rate * exposure)
        found = shrink(failures, exposure)
        given = shrink(failures, exposure, law_known=True)
        inside.append((found.low <= rate) & (rate <= found.high))
        narrow.append((given.low <= rate) & (rate <= given.high))
    assert 0.90 < np.mean(inside) < 0.985
    assert np.mean(narrow) < np.mean(inside)


def test_models_lean_on_models_of_their_own_kind_only() -> None:
    rows = [
        RateRow({"model": name}, "unit-year", years, failures, None, kind)
        for name, kind, years, failures in (
            ("LP-1", "lamp", 100.0, 20), ("LP-2", "lamp", 2.0, 0),
            ("FU-1", "fuse", 1000.0, 2), ("FU-2", "fuse", 2.0, 0),
        )
    ]  # fmt: skip
    rate = [one.per_year for one in shrunk(rows) if one]
    assert len(rate) == 4
    assert rate[1] > 0.15
    assert rate[3] < 0.003
