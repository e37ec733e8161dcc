"""Weibull fits against printed estimates and other programs' answers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter, WeibullFitter
from lifelines.datasets import load_lung, load_rossi, load_waltons
from numpy.typing import ArrayLike
from surpyval import Weibull, WeibullPH

from lightwatch.rates.weibull import fit_weibull
from lightwatch.rates.weibull_life import WeibullFit
from tests.published.printed import printed
from tests.published.printed_lives import (
    BALL_BEARINGS,
    BEARING_CAGES,
    CRACKS,
    FLUID_MINUTES_BY_KV,
    NIST_HOURS,
    OVARIAN,
    SHOCK_ABSORBERS_KM,
    known_to,
    table,
)
from tests.simulated_lives import Simulated, simulate_lives

MEEKER = "Meeker & Escobar (1998)"
NIST = (
    "NIST/SEMATECH e-Handbook 8.4.1.3, itl.nist.gov/div898/handbook/apr/section4/"
    "apr413.htm, read in a stored copy"
)
R_QUOTED = (
    "R 4.5.3, survival 3.8-12, survreg, as a public test suite quotes it (stored file "
    "70107975352)"
)
LARYNX = (
    "Kardaun (1983); Klein & Moeschberger (2003), table 12.2; from memory, agrees with "
    "R survreg (shared checks)"
)


def fit(age: ArrayLike, failed: ArrayLike, **others: object) -> WeibullFit:
    age = np.asarray(age, float)
    entry = np.zeros_like(age)
    return fit_weibull(entry, age, known_to(age, failed), **others)  # type: ignore[arg-type]


def errors(found: WeibullFit) -> np.ndarray:
    return np.sqrt(np.diag(found.covariance))


def test_shock_absorbers_have_the_printed_location_and_spread() -> None:
    """The book's mu is log scale, its sigma one over shape; from memory."""
    source = f"{MEEKER}, table 8.1; from memory, agrees with R survreg"
    found = fit(*SHOCK_ABSORBERS_KM)

    assert np.log(found.scale_years) == printed("10.23", source)
    assert 1 / found.shape == printed("0.3164", source)
    assert errors(found)[1] == printed("0.1099", source)
    spread_error = errors(found)[0] / found.shape
    assert spread_error == pytest.approx(0.0731, abs=6e-4), "R survreg prints .0732"
    assert found.b10_years == pytest.approx(13600.0, abs=5), "R survreg, shared checks"


def test_the_handbooks_twenty_units_have_the_printed_life() -> None:
    """NIST prints 606.5280; the maximum is at 606.5276 (R survreg, lifelines, here)."""
    found = fit(*NIST_HOURS)

    assert found.scale_years == printed("606.528", NIST)
    assert found.shape == printed("1.7208", NIST)
    assert found.log_likelihood == printed("-75.135", NIST)
    assert 4 - 2 * found.log_likelihood == printed("154.27", NIST)
    assert float(found.mean_remaining(0.0)) == printed("540.737", NIST)


def test_ball_bearings_have_the_printed_life() -> None:
    source = "Lieblein & Zelen (1956); Lawless (2003), u and b; from memory"
    found = fit(BALL_BEARINGS, np.ones(23))

    assert found.scale_years == printed("81.88", source)
    assert found.shape == printed("2.102", source)
    assert np.log(found.scale_years) == printed("4.405", source)
    assert 1 / found.shape == printed("0.476", source)
    assert found.log_likelihood == printed("-113.691", source)


def test_cracks_found_at_inspections_have_the_printed_life() -> None:
    """Interval lives with counts; the shared check allows .006, .0002 and .002."""
    low, high, count = CRACKS
    found = fit_weibull(np.zeros(9), low, high, weights=count)

    assert found.scale_years == printed("71.69", "Nelson (1982), p. 415; from memory")
    assert found.shape == printed("1.4854", "Nelson (1982), p. 415; from memory")
    assert found.log_likelihood == pytest.approx(-309.6684, abs=1e-4), "R survreg"
    assert found.lives == 167


def test_larynx_patients_stretch_as_the_textbook_prints() -> None:
    larynx = table("larynx")
    stages = {f"stage {n}": (larynx["stage"] == n).to_numpy(float) for n in (2, 3, 4)}
    columns = {**stages, "age": larynx["age"].to_numpy(float)}
    found = fit(larynx["time"], larynx["delta"], covariates=columns)

    assert np.log(found.scale_years) == printed("3.53", LARYNX)
    for stretch, text in zip(
        found.acceleration, ("-0.148", "-0.587", "-1.544", "-0.0175"), strict=True
    ):
        assert stretch == printed(text, LARYNX)
    assert 1 / found.shape == printed("0.885", LARYNX)


def test_insulating_fluid_follows_the_printed_inverse_power_law() -> None:
    source = "Nelson (1972); Lawless (2003), chapter 6; from memory"
    kilovolts = np.repeat(
        [float(kv) for kv in FLUID_MINUTES_BY_KV],
        [len(minutes) for minutes in FLUID_MINUTES_BY_KV.values()],
    )
    minutes = np.concatenate(list(FLUID_MINUTES_BY_KV.values()))
    found = fit(minutes, np.ones(76), covariates={"log kV": np.log(kilovolts)})

    assert len(minutes) == 76
    assert np.log(found.scale_years) == pytest.approx(64.85, abs=0.006), source
    assert found.acceleration[0] == printed("-17.73", source)
    assert 1 / found.shape == printed("1.288", source)


def test_late_entries_at_channing_house_matter_as_three_programs_say() -> None:
    """Hyde (1980); digits by surpyval, lifelines and R's eha (shared checks)."""
    house = table("channing").query("age > ageentry")
    age = house["age"].to_numpy(float)
    high = known_to(age, house["death"])
    found = fit_weibull(house["ageentry"], age, high)
    naive = fit(age, house["death"])

    assert found.scale_years == pytest.approx(1043.74, abs=0.3)
    assert found.shape == pytest.approx(8.8324, abs=0.01)
    assert naive.shape > 14, "to ignore late entry is to see a law that is not there"


def test_bearing_cages_have_the_printed_life_and_likelihood_limits() -> None:
    source = f"{MEEKER}, example 8.16 and figure 8.11; from memory"
    age, failed, count = BEARING_CAGES
    found = fit(age, failed, weights=count)
    limits = found.limits("b10")

    assert found.lives == 1703
    assert found.scale_years == printed("11792", source)
    assert found.shape == printed("2.035", source)
    assert found.b10_years == printed("3903", source)
    assert limits.method == "profile likelihood"
    # 2,093 as remembered; the equation itself is solved by brute force in unit tests.
    assert limits.low == pytest.approx(2093, abs=2)
    assert limits.high == printed("22144", source)


def test_leukaemia_patients_stretch_as_r_prints() -> None:
    aml = table("aml")
    apart = (aml["x"] == "Nonmaintained").to_numpy(float)
    found = fit(aml["time"], aml["status"], covariates={"x": apart})

    assert np.log(found.scale_years) == printed("4.10905505", R_QUOTED)
    assert found.acceleration[0] == printed("-0.92934161", R_QUOTED)
    assert 1 / found.shape == printed("0.79095444", R_QUOTED)


def test_lung_patients_stretch_as_r_prints() -> None:
    lung = load_lung().dropna(subset=["ph.ecog"])
    columns = {name: lung[name].to_numpy(float) for name in ("age", "ph.ecog")}
    found = fit(lung["time"], lung["status"], covariates=columns)

    assert np.log(found.scale_years) == printed("6.83050355", R_QUOTED)
    assert found.acceleration[0] == printed("-0.00771973", R_QUOTED)
    assert found.acceleration[1] == printed("-0.32638198", R_QUOTED)
    assert 1 / found.shape == printed("0.73811054", R_QUOTED)


def test_remission_of_leukaemia_lasts_as_the_manual_prints() -> None:
    source = (
        "Venables & Ripley, Modern Applied Statistics with S, 4th ed. (2002), section "
        "13.2, survreg(Surv(time, cens) ~ treat, gehan); from memory"
    )
    gehan = table("gehan")
    control = (gehan["treat"] == "control").to_numpy(float)
    found = fit(gehan["time"], gehan["cens"], covariates={"control": control})

    assert np.log(found.scale_years) == printed("3.516", source)
    assert found.acceleration[0] == printed("-1.267", source)
    assert 1 / found.shape == printed("0.732", source)
    assert found.log_likelihood == printed("-106.6", source)
    assert found.coefficients[0] == pytest.approx(1.267 / 0.732, abs=0.003)


def test_ovarian_patients_have_the_life_that_r_prints() -> None:
    source = "flexsurvreg(Surv(futime, fustat) ~ 1, ovarian) in R's flexsurv; memory"
    found = fit(*OVARIAN)

    assert found.shape == printed("1.108", source)
    assert found.scale_years == printed("1225", source)


def test_prisoners_and_fruit_flies_have_the_lives_that_lifelines_prints() -> None:
    source = "documentation of lifelines, survival regression and quickstart; memory"
    rossi, flies = load_rossi(), load_waltons()
    columns = {name: rossi[name].to_numpy(float) for name in rossi.columns[2:]}
    found = fit(rossi["week"], rossi["arrest"], covariates=columns)
    of_flies = fit(flies["T"], flies["E"])

    stretched = dict(zip(found.names, found.acceleration, strict=True))
    for name, text in [("fin", "0.272"), ("age", "0.041"), ("race", "-0.225"),
                       ("wexp", "0.107"), ("mar", "0.311"), ("paro", "0.059"),
                       ("prio", "-0.066")]:  # fmt: skip
        assert stretched[name] == printed(text, source)
    assert np.log(found.scale_years) == printed("3.990", source)
    assert np.log(found.shape) == printed("0.339", source)
    assert found.log_likelihood == printed("-679.917", source)
    assert of_flies.scale_years == printed("55.73", source)
    assert of_flies.shape == printed("3.45", source)
    assert of_flies.log_likelihood == printed("-672.062", source)


@pytest.mark.parametrize("seed", range(5))
def test_lives_cut_in_two_have_the_printed_life_of_whole_ones(seed: int) -> None:
    """A life to t is one that left alive at s and one that entered at s.

    The likelihood is the same, so the printed estimates hold for late entry too.
    """
    source = f"{MEEKER}, table 8.1; from memory"
    age, failed = SHOCK_ABSORBERS_KM
    cut = age * np.random.default_rng(seed).uniform(0.01, 0.99, len(age))
    entry = np.concatenate([np.zeros_like(age), cut])
    end = np.concatenate([cut, age])
    ended = np.concatenate([np.zeros(len(age), bool), failed])
    found = fit_weibull(entry, end, known_to(end, ended))

    assert np.log(found.scale_years) == printed("10.23", source)
    assert 1 / found.shape == printed("0.3164", source)
    assert errors(found)[1] == printed("0.1099", source)
    spread_error = errors(found)[0] / found.shape
    assert spread_error == pytest.approx(0.0731, abs=6e-4), "R survreg prints .0732"


def test_inspected_lives_cut_at_an_inspection_have_the_printed_life() -> None:
    source = "Nelson (1982), p. 415; from memory"
    low, high, count = CRACKS
    later = low > 30
    found = fit_weibull(
        np.concatenate([np.zeros(9), np.full(later.sum(), 29.64)]),
        np.concatenate([np.where(later, 29.64, low), low[later]]),
        np.concatenate([np.where(later, np.inf, high), high[later]]),
        weights=np.concatenate([count, count[later]]),
    )

    assert found.scale_years == printed("71.69", source)
    assert found.shape == printed("1.4854", source)


def _days_and_months() -> list[Simulated]:
    return [simulate_lives(4000, 31, per_year=per_year) for per_year in (365.25, 12.0)]


def _frame(lives: Simulated) -> pd.DataFrame:
    frame = pd.DataFrame(lives.covariates, columns=list("abcd"))
    return frame.assign(
        entry=lives.entry_age, end=lives.exit_age, failed=lives.failed,
        low=lives.low, high=lives.high,
    )  # fmt: skip


@pytest.mark.parametrize("lives", _days_and_months(), ids=["days", "months"])
def test_lifelines_stretches_tied_late_lives_alike(lives: Simulated) -> None:
    found = fit_weibull(
        lives.entry_age,
        lives.exit_age,
        known_to(lives.exit_age, lives.failed),
        covariates=lives.covariates,
    )
    other = WeibullAFTFitter().fit(
        _frame(lives).drop(columns=["low", "high"]), "end", "failed", entry_col="entry"
    )

    stretch = other.params_["lambda_"]
    assert found.acceleration == pytest.approx(stretch[list("abcd")], abs=1e-4)
    assert np.log(found.scale_years) == pytest.approx(stretch["Intercept"], abs=1e-4)
    log_shape = other.params_["rho_"]["Intercept"]
    assert np.log(found.shape) == pytest.approx(log_shape, abs=1e-4)
    assert found.log_likelihood == pytest.approx(other.log_likelihood_, abs=1e-4)
    error = other.standard_errors_["rho_"]["Intercept"]
    assert errors(found)[0] == pytest.approx(error, rel=1e-3)


@pytest.mark.parametrize("lives", _days_and_months(), ids=["days", "months"])
def test_lifelines_stretches_late_intervals_alike(lives: Simulated) -> None:
    found = fit_weibull(
        lives.entry_age, lives.low, lives.high, covariates=lives.covariates
    )
    other = WeibullAFTFitter().fit_interval_censoring(
        _frame(lives).drop(columns=["end", "failed"]), "low", "high", entry_col="entry"
    )

    stretch = other.params_["lambda_"]
    assert found.acceleration == pytest.approx(stretch[list("abcd")], abs=1e-4)
    assert np.log(found.scale_years) == pytest.approx(stretch["Intercept"], abs=1e-4)
    log_shape = other.params_["rho_"]["Intercept"]
    assert np.log(found.shape) == pytest.approx(log_shape, abs=1e-4)
    assert found.log_likelihood == pytest.approx(other.log_likelihood_, abs=1e-4)


@pytest.mark.parametrize("per_year", [365.25, 12.0])
def test_surpyval_finds_the_same_life_of_late_intervals_and_counts(
    per_year: float,
) -> None:
    lives = simulate_lives(600, 41, per_year=per_year, watch_years=20)
    counts = np.random.default_rng(41).integers(1, 4, 600)
    found = fit_weibull(lives.entry_age, lives.low, lives.high, weights=counts)
    other = Weibull.fit(
        xl=lives.low, xr=lives.high, tl=lives.entry_age, n=counts, how="MLE"
    )

    scale, shape = other.params
    assert np.log(found.scale_years) == pytest.approx(np.log(scale), abs=1e-4)
    assert np.log(found.shape) == pytest.approx(np.log(shape), abs=1e-4)
    assert found.log_likelihood == pytest.approx(-other.neg_ll(), abs=1e-4)


def test_surpyval_finds_the_same_log_hazard_ratios() -> None:
    lives = simulate_lives(500, 43, per_year=12, watch_years=20)
    found = fit_weibull(
        lives.entry_age, lives.low, lives.high, covariates=lives.covariates[:, :2]
    )
    ends = np.column_stack([lives.low, np.where(lives.failed, lives.high, lives.low)])
    other = WeibullPH.fit(
        x=ends,
        c=np.where(lives.failed, 2, 1),
        tl=lives.entry_age,
        Z=lives.covariates[:, :2],
    )

    scale, shape = other.params[:2]
    assert found.coefficients == pytest.approx(other.params[2:], abs=1e-4)
    assert np.log(found.scale_years) == pytest.approx(np.log(scale), abs=1e-4)
    assert np.log(found.shape) == pytest.approx(np.log(shape), abs=1e-4)


def test_lifelines_finds_the_same_life_without_covariates() -> None:
    lives = simulate_lives(3000, 47, per_year=12)
    found = fit_weibull(
        lives.entry_age, lives.exit_age, known_to(lives.exit_age, lives.failed)
    )
    other = WeibullFitter().fit(lives.exit_age, lives.failed, entry=lives.entry_age)

    assert found.scale_years == pytest.approx(other.lambda_, rel=1e-4)
    assert found.shape == pytest.approx(other.rho_, rel=1e-4)
    ages = np.array([1.0, 8.0, 25.0, 60.0])
    expected = other.survival_function_at_times(ages)
    assert found.survival(ages) == pytest.approx(expected, abs=1e-4)
    assert found.median_years == pytest.approx(other.median_survival_time_, rel=1e-4)
