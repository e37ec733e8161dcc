"""Bad batches are found and good ones left alone: a part of ``tests.bench.batches``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from lightwatch.decisions.batches.law import ratios
from tests.recovery.batch_cities import PLANTED, city, found
from tests.recovery.batch_study import BAD, CLEAN, MIXED, ROUGH, YEARS, worlds

WORLDS = range(12)


@pytest.mark.slow
@pytest.mark.parametrize("world", [CLEAN, ROUGH], ids=["clean", "rough"])
def test_a_town_without_bad_batches_hardly_ever_raises_an_alarm(world):
    rows = worlds(world, WORLDS)
    wrong = rows.loc[np.isfinite(rows["alarm_years"]), "seed"].nunique()
    assert wrong <= binom.ppf(0.999, len(WORLDS) * YEARS, 0.01)


@pytest.mark.slow
def test_a_batch_four_times_as_bad_comes_first_and_raises_the_alarm():
    rows = worlds(BAD, range(6))
    bad = rows[rows["model"].eq("EB") & rows["vintage"].eq(2013)]
    assert (bad["rank"] == 1).all()
    assert np.isfinite(bad["alarm_years"]).all()
    assert (bad["alarm_years"] > 2013 - 2010.16).all(), "not before it was there"
    assert bad["inside"].sum() >= binom.ppf(0.001, len(bad), 0.95)


@pytest.mark.slow
def test_limits_hold_the_true_ratios_of_batches_that_differ():
    rows = worlds(MIXED, range(8))
    rows = rows[rows["known"]]
    by_world = rows.groupby("seed")["inside"].mean()
    error = by_world.std() / len(by_world) ** 0.5
    assert 0.93 - 3 * error <= rows["inside"].mean() <= 0.97 + 3 * error


@pytest.mark.slow
@pytest.mark.parametrize("typical", [100, 1000, 3000, 10000])
def test_limits_hold_the_ratios_of_batches_with_many_failures(typical):
    """Ratios differ by 35 %; below the band of a binomial count at .95, 99.9 %."""
    rng = np.random.default_rng([3, typical])
    inside = []
    for _ in range(20):
        truth = rng.gamma(0.35**-2, 0.35**2, 30)
        expected = typical * np.exp(0.7 * rng.normal(size=30))
        failures = rng.poisson(truth * expected).astype(float)
        limits = ratios(failures, expected, np.full(30, 1e9))
        assert ((limits.low <= limits.mean) & (limits.mean <= limits.high)).all()
        inside.append((limits.low <= truth) & (truth <= limits.high))
    held, count = np.sum(inside), np.size(inside)
    assert held >= binom.ppf(0.0005, count, 0.95), (held, count)


@pytest.mark.slow
def test_the_planted_batch_of_the_demo_city_is_found_and_its_alarm_stands():
    with city(2000, 3, clean=False) as store:
        now = found(store)
        first = now[0]
        assert (first.model, first.vintage) == PLANTED
        assert first.alarm_on is not None
        year = int(first.alarm_on[:4])
        before = found(store, first.alarm_on)
        after = found(store, f"{year + 1}{first.alarm_on[4:]}")
    assert [one.alarm_on for one in before if (one.model, one.vintage) == PLANTED] == [
        None
    ]
    then = next(one for one in after if (one.model, one.vintage) == PLANTED)
    assert then.alarm_on == first.alarm_on
    assert then.in_service > first.in_service
