"""Kaplan-Meier and Nelson-Aalen against printed tables and other programs."""

from __future__ import annotations

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.datasets import load_lung
from surpyval import KaplanMeier

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.rates.nonparametric import kaplan_meier
from tests.published.printed import printed
from tests.published.printed_lives import NIST_HOURS, SHOCK_ABSORBERS_KM, table
from tests.simulated_lives import simulate_lives

KM_4_1 = (
    "Klein & Moeschberger, Survival Analysis, 2nd ed. (2003), example 4.1, 6-MP "
    "patients of Freireich et al. (1963); from memory, agrees with R survival 3.5-3"
)


def _six_mp() -> tuple[np.ndarray, np.ndarray]:
    gehan = table("gehan")
    some = gehan[gehan["treat"] == "6-MP"]
    return some["time"].to_numpy(float), some["cens"].to_numpy(bool)


@pytest.mark.parametrize(
    ("week", "survival"),
    [
        (6, "0.857"),
        (7, "0.807"),
        (10, "0.753"),
        (13, "0.690"),
        (16, "0.627"),
        (22, "0.538"),
        (23, "0.448"),
    ],
)
def test_the_6_mp_patients_survive_as_the_textbook_prints(
    week: int, survival: str
) -> None:
    time, failed = _six_mp()
    curve = kaplan_meier(np.zeros(21), time, failed)

    assert float(curve.at(week)) == printed(survival, KM_4_1)
    assert float(curve.at(week + 0.5)) == printed(survival, KM_4_1)


@pytest.mark.parametrize(
    ("week", "error"),
    [
        (6, "0.0764"),
        (7, "0.0869"),
        (10, "0.0963"),
        (13, "0.1068"),
        (16, "0.1141"),
        (22, "0.1282"),
        (23, "0.1346"),
    ],
)
def test_limits_of_the_6_mp_patients_rest_on_the_printed_standard_errors(
    week: int, error: str
) -> None:
    """The limits are S^exp(+-z e / log S); solve them for the standard error S e."""
    time, failed = _six_mp()
    curve = kaplan_meier(np.zeros(21), time, failed)
    row = int(np.flatnonzero(curve.age_years == week)[0])
    log = np.log(curve.survival[row])
    power = np.log(np.log(curve.low[row]) / log)
    found = curve.survival[row] * power / 1.959963984540054 * -log

    assert found == printed(error, KM_4_1)


def test_log_log_limits_of_the_6_mp_patients_are_as_printed() -> None:
    time, failed = _six_mp()
    curve = kaplan_meier(np.zeros(21), time, failed)
    at_10, at_23 = (int(np.flatnonzero(curve.age_years == t)[0]) for t in (10, 23))

    assert curve.low[at_10] == printed("0.503", KM_4_1)
    assert curve.high[at_10] == printed("0.889", KM_4_1)
    assert curve.low[at_23] == printed("0.188", KM_4_1)
    assert curve.high[at_23] == printed("0.680", KM_4_1)


def test_leukaemia_patients_survive_as_r_prints() -> None:
    source = "R survival, survfit(Surv(time, status) ~ x, aml), Miller (1981); memory"
    aml = table("aml")
    for group, shares in [
        ("Maintained", "0.909 0.818 0.716 0.614 0.491 0.368 0.184"),
        (
            "Nonmaintained",
            "0.8333 0.6667 0.5833 0.4861 0.3889 0.2917 0.1944 0.0972 0.0000",
        ),
    ]:
        some = aml[aml["x"] == group]
        curve = kaplan_meier(np.zeros(len(some)), some["time"], some["status"])
        for found, share in zip(curve.survival, shares.split(), strict=True):
            assert found == printed(share, source)


def test_shock_absorbers_fail_as_meeker_and_escobar_estimate() -> None:
    """Meeker & Escobar (1998), section 3.6.

    The shares were computed with lifelines and R survival (shared checks: within .001);
    no printed value was seen.
    """
    age, failed = SHOCK_ABSORBERS_KM
    curve = kaplan_meier(np.zeros(38), age, failed)

    ages = np.array([6700, 9120, 12200, 13150, 14300, 27490])
    shares = [0.02631578947368421, 0.0549, 0.0912, 0.1291, 0.1726, 0.7128]
    assert 1 - curve.at(ages) == pytest.approx(shares, abs=0.001)


def test_ten_of_twenty_units_leave_half_at_500_hours() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3: no one leaves before 500 h, so S = 1 - r/n."""
    age, failed = NIST_HOURS
    curve = kaplan_meier(np.zeros(20), age, failed)

    assert curve.survival == pytest.approx(1 - np.arange(1, 11) / 20)


def test_the_median_of_the_lung_patients_is_310_days() -> None:
    source = "R survival, print(survfit(Surv(time, status) ~ 1, lung)); from memory"
    lung = load_lung()
    curve = kaplan_meier(np.zeros(len(lung)), lung["time"], lung["status"])
    median = curve.age_years[np.argmax(curve.survival <= 0.5)]

    assert curve.failures.sum() == 165
    assert median == printed("310", source)


def test_psychiatric_patients_who_enter_late_survive_as_two_programs_say() -> None:
    source = (
        "Woolson (1981), Klein & Moeschberger section 1.15; digits computed with "
        "lifelines and R survival (shared checks), no printed value seen"
    )
    psych = table("psych")
    curve = kaplan_meier(psych["age"], psych["age"] + psych["time"], psych["death"])

    for age, share in [
        (47, "0.952"),
        (52, "0.866"),
        (59, "0.696"),
        (61, "0.609"),
        (69, "0.291"),
    ]:
        assert float(curve.at(age)) == printed(share, source)


def test_men_of_channing_house_all_seem_dead_at_781_months() -> None:
    """The textbook's warning: few at risk early on, and the curve never recovers.

    Klein & Moeschberger (2003), section 4.6, from memory: the first deaths among the
    men, at 777 and 781 months, meet risk sets of two and one.
    """
    men = table("channing").query("gender == 1 and age > ageentry")
    curve = kaplan_meier(men["ageentry"], men["age"], men["death"])

    assert list(curve.age_years[:2]) == [777, 781]
    assert list(curve.at_risk[:2]) == [2, 1]
    assert list(curve.survival[:2]) == [0.5, 0.0]
    assert (curve.survival[1:] == 0).all()
    assert (curve.at_risk > 20).any()
    assert np.isfinite(curve.low).all()
    assert np.isfinite(curve.high).all()


def test_three_lives_that_come_and_go_have_the_risk_sets_that_r_prints() -> None:
    """Surv(c(0, 2, 5), c(10, 12, 6), c(1, 0, 1)) in R 4.5.3, survival 3.8-12.

    Read in a public test suite that quotes R (stored file 70107975352): at 6 three are
    at risk, at 10 two; survival 2/3, 1/3.
    """
    curve = kaplan_meier([0, 2, 5], [10, 12, 6], [1, 0, 1])

    assert list(curve.age_years) == [6, 10]
    assert list(curve.at_risk) == [3, 2]
    assert curve.survival == pytest.approx([2 / 3, 1 / 3], rel=1e-12)


def test_one_who_enters_at_the_very_age_of_a_failure_is_not_at_risk() -> None:
    """entry < age <= exit: R survival, lifelines and surpyval give 0.75 here.

    Read in surpyval's tests (derrynknife/SurPyval,
    surpyval/tests/univariate/nonparametric/test_turnbull.py).
    """
    curve = kaplan_meier([0, 0, 1, 1, 2, 2], [2, 3, 3, 4, 5, 6], [True] * 6)

    assert float(curve.at(2.0)) == pytest.approx(0.75, rel=1e-12)


@pytest.mark.parametrize("per_year", [365.25, 12.0])
def test_two_other_programs_give_the_same_curve_on_tied_late_lives(
    per_year: float,
) -> None:
    lives = simulate_lives(5000, 11, per_year=per_year)
    curve = kaplan_meier(lives.entry_age, lives.exit_age, lives.failed)
    other = KaplanMeierFitter().fit(lives.exit_age, lives.failed, entry=lives.entry_age)
    third = KaplanMeier.fit(
        lives.exit_age, c=(~lives.failed).astype(int), tl=lives.entry_age
    )

    survival = other.survival_function_at_times(curve.age_years)
    assert curve.survival == pytest.approx(survival, abs=1e-10)
    assert curve.survival == pytest.approx(third.sf(curve.age_years), abs=1e-10)
    events = other.event_table.reindex(curve.age_years)
    at_risk = events["at_risk"] - events["entrance"].where(curve.age_years > 0, 0)
    assert curve.at_risk == pytest.approx(at_risk.to_numpy(float))
    limits = other.confidence_interval_.reindex(curve.age_years).to_numpy()
    assert curve.low == pytest.approx(limits[:, 0], abs=1e-8)
    assert curve.high == pytest.approx(limits[:, 1], abs=1e-8)


def test_a_weight_of_three_is_three_lives_alike() -> None:
    lives = simulate_lives(400, 5, per_year=12)
    weights = np.random.default_rng(5).integers(0, 4, 400)
    one = kaplan_meier(lives.entry_age, lives.exit_age, lives.failed, weights=weights)
    many = kaplan_meier(
        *(
            np.repeat(column, weights)
            for column in (lives.entry_age, lives.exit_age, lives.failed)
        )
    )

    for name in ("age_years", "survival", "low", "high", "at_risk", "failures"):
        assert getattr(one, name) == pytest.approx(getattr(many, name), rel=1e-12)


def test_no_failures_is_not_enough_evidence() -> None:
    with pytest.raises(NotEnoughEvidence, match="none of 2 lives failed"):
        kaplan_meier([0, 0], [1, 2], [False, False])


@pytest.mark.parametrize(
    ("entry", "end", "said"),
    [
        ([0, 3], [1, 2], "exit age is not after entry age: 1 lives"),
        ([2, 0], [2, 1], "fails at the age at which its watch begins"),
        ([0, -1], [1, 2], "entry age is below zero"),
        ([0, np.nan], [1, 2], "entry age is missing"),
    ],
)
def test_ages_that_contradict_one_another_are_refused(
    entry: list[float], end: list[float], said: str
) -> None:
    with pytest.raises(NotUnderstood, match=said):
        kaplan_meier(entry, end, [True, True])
