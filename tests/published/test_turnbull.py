"""Turnbull's estimate against printed masses, its own conditions and other programs."""

from __future__ import annotations

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from surpyval import Turnbull

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.nonparametric import kaplan_meier
from lightwatch.rates.turnbull import turnbull
from tests.published.printed import printed
from tests.published.printed_lives import COSMESIS
from tests.simulated_lives import simulate_lives

FAY = (
    "Fay & Shaw, Journal of Statistical Software 36(2) (2010), output of icfit on the "
    "radiotherapy group of Finkelstein & Wolfe (1985); from memory"
)
KM_5_2 = "Klein & Moeschberger (2003), example 5.2, table 5.3; from memory"


def test_breast_cosmesis_has_the_printed_masses_in_the_printed_intervals() -> None:
    low, high = COSMESIS.T
    curve = turnbull(low, high, np.zeros(46), tolerance=1e-9)
    heavy = curve.share > 1e-5
    rows = zip(
        curve.low_years[heavy], curve.high_years[heavy], curve.share[heavy], strict=True
    )

    assert len(COSMESIS) == 46
    for (begin, end, share), (left, right, mass) in zip(
        rows,
        [
            (4, 5, "0.0463"),
            (6, 7, "0.0334"),
            (7, 8, "0.0887"),
            (11, 12, "0.0708"),
            (24, 25, "0.0926"),
            (33, 34, "0.0818"),
            (38, 40, "0.1209"),
            (46, 48, "0.4656"),
        ],
        strict=True,
    ):
        assert (begin, end) == (left, right)
        assert share == printed(mass, FAY)


def test_breast_cosmesis_survives_as_the_textbook_prints() -> None:
    low, high = COSMESIS.T
    curve = turnbull(low, high, np.zeros(46))

    for month, survival in [
        (4, "1.000"),
        (5.5, "0.954"),
        (7, "0.920"),
        (9, "0.832"),
        (20, "0.761"),
        (30, "0.668"),
        (36, "0.586"),
    ]:
        least, most = curve.bounds(month)
        assert float(least) == printed(survival, KM_5_2)
        assert float(most) == printed(survival, KM_5_2)
    least, most = curve.bounds(39.0)
    assert float(least) < float(most) == printed("0.586", KM_5_2)


def test_exact_late_lives_give_kaplan_meier_with_delayed_entry() -> None:
    lives = simulate_lives(2000, 3, per_year=12)
    high = np.where(lives.failed, lives.exit_age, np.inf)
    curve = turnbull(lives.exit_age, high, lives.entry_age, tolerance=1e-10)
    other = kaplan_meier(lives.entry_age, lives.exit_age, lives.failed)
    least, most = curve.bounds(other.age_years)

    assert least == pytest.approx(other.survival, abs=1e-7)
    assert most == pytest.approx(other.survival, abs=1e-7)


def test_intervals_and_late_entries_together_meet_the_conditions_of_a_maximum() -> None:
    """No share can be raised or lowered with gain (Kuhn-Tucker), by brute force."""
    lives = simulate_lives(300, 9, per_year=12)
    curve = turnbull(lives.low, lives.high, lives.entry_age, tolerance=1e-10)
    inside = (curve.low_years >= lives.low[:, None]) & (
        curve.high_years <= lives.high[:, None]
    )
    after = curve.high_years > lives.entry_age[:, None]
    slope = (inside / (inside @ curve.share)[:, None]).sum(axis=0)
    slope -= (after / (after @ curve.share)[:, None]).sum(axis=0)
    likelihood = np.log(inside @ curve.share) - np.log(after @ curve.share)

    assert slope.max() < 300 * 1e-8
    assert slope[curve.share > 1e-6] == pytest.approx(0.0, abs=1e-2)
    assert likelihood.sum() == pytest.approx(curve.log_likelihood, rel=1e-10)
    assert curve.share.sum() == pytest.approx(1.0, abs=1e-12)


def test_another_program_gives_the_same_survival_on_intervals() -> None:
    lives = simulate_lives(200, 12, per_year=12)
    low = np.round(lives.low * 12) / 12
    high = np.ceil(lives.high * 12) / 12 + 1e-3
    curve = turnbull(low, high, np.zeros(200), tolerance=1e-10)
    other = KaplanMeierFitter().fit_interval_censoring(low, high, tol=1e-8)
    ages = np.array([3.0, 5.0, 8.0, 10.0, 12.0, 15.0]) + 0.02
    least, _ = curve.bounds(ages)
    frame = other.survival_function_
    lower = np.array([frame.loc[:age].iloc[-1].min() for age in ages])

    assert least == pytest.approx(lower, abs=1e-4)


def test_a_third_program_gives_the_same_survival_on_late_intervals() -> None:
    lives = simulate_lives(150, 15, per_year=12)
    curve = turnbull(lives.low, lives.high, lives.entry_age, tolerance=1e-10)
    other = Turnbull.fit(
        xl=np.where(lives.failed, lives.low, lives.exit_age),
        xr=np.where(lives.failed, lives.high, np.inf),
        tl=lives.entry_age,
        turnbull_estimator="Kaplan-Meier",
        tol=1e-10,
        max_iter=100_000,
    )
    heavy = (curve.share > 1e-6) & np.isfinite(curve.high_years)
    after = other.sf(curve.high_years[heavy] + 1e-6)

    assert heavy.sum() > 5
    assert curve.survival[heavy] == pytest.approx(after, abs=1e-6)


def test_a_weight_of_three_is_three_lives_alike() -> None:
    low, high = COSMESIS.T
    weights = np.random.default_rng(2).integers(0, 4, 46)
    one = turnbull(low, high, np.zeros(46), weights=weights)
    many = turnbull(
        np.repeat(low, weights), np.repeat(high, weights), np.zeros(weights.sum())
    )

    assert one.share == pytest.approx(many.share, abs=1e-6)


def test_no_failures_is_not_enough_evidence() -> None:
    with pytest.raises(NotEnoughEvidence, match="none of 2 lives failed"):
        turnbull([1, 2], [np.inf, np.inf], [0, 0])


def test_where_all_early_lives_fail_survival_ends_as_kaplan_meier_has_it() -> None:
    """Those who enter later cannot lift it: the likelihood is highest at zero."""
    ages, entry = [1, 2, 9, 10], [0, 0, 5, 6]
    curve = turnbull(ages, ages, entry)
    other = kaplan_meier(entry, ages, [True] * 4)

    assert curve.bounds([1.0, 2.0, 9.0])[0] == pytest.approx(
        other.at([1.0, 2.0, 9.0]), abs=1e-3
    )
