"""Aalen-Johansen against published data, other programs and its own identities."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lifelines import AalenJohansenFitter

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.rates.causes import aalen_johansen
from lightwatch.rates.nonparametric import kaplan_meier
from tests.published.printed import printed
from tests.published.printed_lives import table
from tests.simulated_lives import simulate_lives

MGUS2 = (
    "Kyle (2002), data set mgus2 of R survival; digits computed with R's multi-state "
    "survfit (shared checks), no printed value seen"
)


def test_myeloma_and_death_compete_as_r_computes() -> None:
    mgus2 = table("mgus2")
    first = mgus2["pstat"] == 1
    months = np.where(first, mgus2["ptime"], mgus2["futime"])
    cause = np.where(first, "pcm", np.where(mgus2["death"] == 1, "death", ""))
    found = aalen_johansen(np.zeros(len(mgus2)), months, cause)

    assert len(mgus2) == 1384
    assert dict(zip(found.causes, found.failures.sum(axis=1), strict=True)) == {
        "pcm": 115,
        "death": 860,
    }
    for name, month, share in [
        ("pcm", 120, "0.0637"),
        ("pcm", 240, "0.0998"),
        ("pcm", 360, "0.134"),
        ("death", 120, "0.532"),
        ("death", 240, "0.724"),
        ("death", 360, "0.784"),
    ]:
        assert float(found.at(name, month)) == printed(share, MGUS2)


def test_five_lives_with_two_causes_step_as_r_prints() -> None:
    """survfit of five start-stop lives in R 4.5.3, survival 3.8-12.

    Quoted in a public test suite (stored file 70107975352): starts 0 0 2 0 1, stops
    5 4 8 7 6, causes a, censored, b, a, b.
    """
    found = aalen_johansen([0, 0, 2, 0, 1], [5, 4, 8, 7, 6], ["a", "", "b", "a", "b"])

    assert list(found.age_years) == [5, 6, 7, 8]
    assert list(found.at_risk) == [4, 3, 2, 1]
    assert found.survival == pytest.approx([0.75, 0.5, 0.25, 0.0])
    assert found.incidence[0] == pytest.approx([0.25, 0.25, 0.5, 0.5])
    assert found.incidence[1] == pytest.approx([0.0, 0.25, 0.25, 0.5])


def test_strings_of_a_column_are_causes_and_an_empty_one_is_alive() -> None:
    entry, leave = [0, 0, 2, 0, 1], [5, 4, 8, 7, 6]
    words = ["a", "", "b", "a", "b"]
    plain = aalen_johansen(entry, leave, words)
    for column in (pd.Series(words), pd.Series(words, dtype=object)):
        found = aalen_johansen(entry, leave, column)
        assert list(found.causes) == ["a", "b"]
        assert found.incidence == pytest.approx(plain.incidence)
    with pytest.raises(NotUnderstood, match="cause is missing: 1 lives"):
        aalen_johansen(entry, leave, pd.Series([*words[:-1], None], dtype=object))


def test_with_all_watched_to_failure_shares_are_plain_proportions() -> None:
    rng = np.random.default_rng(3)
    age = rng.integers(1, 20, 300) / 12
    cause = rng.integers(1, 4, 300)
    found = aalen_johansen(np.zeros(300), age, cause)

    for row, name in enumerate(found.causes):
        plain = [(age[cause == name] <= t).sum() / 300 for t in found.age_years]
        assert found.incidence[row] == pytest.approx(plain, abs=1e-12)
        error = np.sqrt(np.array(plain) * (1 - np.array(plain)) / 300)
        inside = error > 0
        share, low = np.array(plain)[inside], found.low[row][inside]
        power = np.log(low) / np.log(share)
        z_error = np.log(power) * share * -np.log(share)
        assert z_error / 1.959963984540054 == pytest.approx(error[inside], rel=1e-9)


def test_one_cause_is_one_minus_kaplan_meier_with_greenwoods_variance() -> None:
    lives = simulate_lives(2000, 4, per_year=12)
    curve = kaplan_meier(lives.entry_age, lives.exit_age, lives.failed)
    found = aalen_johansen(lives.entry_age, lives.exit_age, lives.failed)
    low, high = found.low[0], found.high[0]
    share = found.incidence[0]
    z_error = np.log(np.log(low) / np.log(share)) * -np.log(share) * share
    power = np.log(np.log(curve.low) / np.log(curve.survival))
    greenwood = power * -np.log(curve.survival) * curve.survival

    assert share == pytest.approx(1 - curve.survival, abs=1e-12)
    assert z_error == pytest.approx(greenwood, rel=1e-6)
    assert (low < share).all()
    assert (share < high).all()


@pytest.mark.parametrize("per_year", [365.25, 12.0])
def test_shares_failed_and_alive_sum_to_one_with_late_entries_and_ties(
    per_year: float,
) -> None:
    lives = simulate_lives(3000, 6, per_year=per_year)
    cause = np.where(lives.failed, 1 + (lives.covariates[:, 1] > 0), 0)
    found = aalen_johansen(lives.entry_age, lives.exit_age, cause)

    whole = found.incidence.sum(axis=0) + found.survival
    assert whole == pytest.approx(np.ones_like(whole), abs=1e-12)


def test_another_program_gives_the_same_shares_on_late_lives_without_ties() -> None:
    """Lifelines parts ties at random, so the ages here are left untied."""
    rng = np.random.default_rng(8)
    lives = simulate_lives(1500, 8)
    end = lives.exit_age + rng.uniform(0, 1e-3, 1500)
    cause = np.where(lives.failed, 1 + (lives.covariates[:, 1] > 0), 0)
    found = aalen_johansen(lives.entry_age, end, cause)

    for name in (1, 2):
        other = AalenJohansenFitter().fit(end, cause, name, entry=lives.entry_age)
        shares = other.cumulative_density_.iloc[:, 0].reindex(found.age_years)
        assert found.at(name, found.age_years) == pytest.approx(
            shares.to_numpy(), abs=1e-10
        )


def test_standard_errors_are_those_of_resampled_lives() -> None:
    rng = np.random.default_rng(20)
    lives = simulate_lives(600, 21, per_year=12)
    cause = np.where(lives.failed, 1 + (lives.covariates[:, 1] > 0), 0)
    found = aalen_johansen(lives.entry_age, lives.exit_age, cause)
    row = int(np.searchsorted(found.age_years, 12.0))
    drawn = []
    for _ in range(400):
        rows = rng.integers(0, 600, 600)
        again = aalen_johansen(lives.entry_age[rows], lives.exit_age[rows], cause[rows])
        drawn.append(float(again.at(1, found.age_years[row])))
    share, low = found.incidence[0, row], found.low[0, row]
    error = np.log(np.log(low) / np.log(share)) * share * -np.log(share) / 1.96

    assert np.std(drawn) == pytest.approx(error, rel=0.15)


def test_what_it_does_not_know_it_refuses() -> None:
    with pytest.raises(NotEnoughEvidence, match="none of 2 lives failed"):
        aalen_johansen([0, 0], [1, 2], [0, 0])
    with pytest.raises(NotUnderstood, match="nothing failed by cause corrosion"):
        aalen_johansen([0], [1], ["dark"]).at("corrosion", 1.0)
