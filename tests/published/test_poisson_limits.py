"""Exact Poisson limits against printed tables and against the Poisson law itself."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import poisson

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates import Rate, exact_rate
from tests.published.printed import printed

TABLE_40 = (
    "Garwood, Biometrika 28 (1936) 437-442; Pearson & Hartley, Biometrika Tables for "
    "Statisticians I, table 40; from memory"
)
"""Two-sided limits for the mean of a Poisson variable, to three figures or two
decimals. The method's reference is in the manual of R's FSA::poiCI, which names Garwood
1936, Liddell 1984 and Ulm 1990 for it; the digits below are from memory."""

NCHS = (
    "National Center for Health Statistics, technical notes to the vital statistics "
    "reports, table of lower and upper 95 percent limit factors; from memory"
)
NIST = (
    "NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.5.1 "
    "(itl.nist.gov/div898/handbook/apr/section4/apr451.htm); "
    "formula read there, example from memory"
)


@cache
def limits(failures: int, confidence: float = 0.95) -> Rate:
    return exact_rate(failures, 1.0, confidence)


@pytest.mark.parametrize(
    ("failures", "low", "high"),
    [
        (1, "0.0253", "5.57"),
        (2, "0.242", "7.22"),
        (3, "0.619", "8.77"),
        (4, "1.09", "10.24"),
        (5, "1.62", "11.67"),
        (6, "2.20", "13.06"),
        (7, "2.81", "14.42"),
        (8, "3.45", "15.76"),
        (9, "4.12", "17.08"),
        (10, "4.80", "18.39"),
        (11, "5.49", "19.68"),
        (12, "6.20", "20.96"),
        (13, "6.92", "22.23"),
        (14, "7.65", "23.49"),
        (15, "8.40", "24.74"),
        (20, "12.22", "30.89"),
        (25, "16.18", "36.90"),
        (30, "20.24", "42.83"),
        (40, "28.58", "54.47"),
        (50, "37.11", "65.92"),
    ],
)
def test_limits_at_95_percent_are_those_of_the_printed_table(
    failures: int, low: str, high: str
) -> None:
    assert limits(failures).low_per_year == printed(low, TABLE_40)
    assert limits(failures).high_per_year == printed(high, TABLE_40)


@pytest.mark.parametrize(
    ("failures", "confidence", "low", "high"),
    [
        (1, 0.90, "0.0513", "4.74"),
        (2, 0.90, "0.355", "6.30"),
        (3, 0.90, "0.818", "7.75"),
        (5, 0.90, "1.97", "10.51"),
        (10, 0.90, "5.43", "16.96"),
        (1, 0.99, "0.00501", "7.43"),
        (2, 0.99, "0.103", "9.27"),
        (3, 0.99, "0.338", "10.98"),
        (5, 0.99, "1.08", "14.15"),
        (10, 0.99, "3.72", "21.40"),
    ],
)
def test_limits_at_90_and_99_percent_are_those_of_the_printed_table(
    failures: int, confidence: float, low: str, high: str
) -> None:
    assert limits(failures, confidence).low_per_year == printed(low, TABLE_40)
    assert limits(failures, confidence).high_per_year == printed(high, TABLE_40)


@pytest.mark.parametrize(
    ("confidence", "high", "source"),
    [
        (0.90, "3.00", TABLE_40),
        (0.95, "3.689", "manual of R's epitools::pois.exact, which prints it"),
        (0.95, "3.69", TABLE_40),
        (0.99, "5.30", TABLE_40),
    ],
)
def test_no_failures_gives_zero_and_an_honest_upper_limit(
    confidence: float, high: str, source: str
) -> None:
    rate = limits(0, confidence)

    assert rate.per_year == 0.0
    assert rate.low_per_year == 0.0
    assert rate.high_per_year == printed(high, source)


@pytest.mark.parametrize(
    ("failures", "low", "high"),
    [
        (1, "0.02532", "5.57164"),
        (2, "0.12110", "3.61234"),
        (3, "0.20622", "2.92242"),
        (4, "0.27247", "2.56040"),
        (5, "0.32470", "2.33367"),
        (10, "0.47954", "1.83904"),
        (20, "0.61083", "1.54442"),
    ],
)
def test_limits_over_the_rate_are_the_factors_of_vital_statistics(
    failures: int, low: str, high: str
) -> None:
    rate = exact_rate(failures, 1234.5)

    assert rate.low_per_year / rate.per_year == printed(low, NCHS)
    assert rate.high_per_year / rate.per_year == printed(high, NCHS)


def test_five_failures_in_94_32_years_have_the_limits_that_r_prints() -> None:
    source = (
        "output of R's poisson.test(5, 94.32), printed in github.com, "
        "lgreski/datasciencectacontent, markdown/statinf-poissonInterval.md"
    )
    rate = exact_rate(5, 94.32)

    assert rate.low_per_year == printed("0.01721254", source)
    assert rate.high_per_year == printed("0.12371005", source)


def test_the_welsh_nickel_workers_have_the_limits_that_r_prints() -> None:
    source = (
        "example of R's poisson.test, 137 deaths against 24.19893 expected (manual of "
        "stats::poisson.test); its output is from memory"
    )
    rate = exact_rate(137, 24.19893)

    assert rate.per_year == printed("5.661407", source)
    assert rate.low_per_year == printed("4.753125", source)
    assert rate.high_per_year == printed("6.692709", source)


def test_64_deaths_against_45_6_expected_have_the_limits_of_the_textbook() -> None:
    source = (
        "Gardner & Altman, Statistics with Confidence (1989) p. 60; the data as quoted "
        "in daudi/phutils, R/cipoisson.R (github.com), the result from memory"
    )
    rate = exact_rate(64, 45.6)

    assert 100 * rate.per_year == printed("140", source)
    assert 100 * rate.low_per_year == printed("108", source)
    assert 100 * rate.high_per_year == printed("179", source)


def test_two_failures_in_800_hours_bound_the_time_between_failures_as_printed() -> None:
    rate = exact_rate(2, 800.0, confidence=0.90)

    assert 1 / rate.high_per_year == printed("127", NIST)
    assert 1 / rate.low_per_year == printed("2251", NIST)
    assert rate.per_year / rate.high_per_year == printed("0.3177", NIST)
    assert rate.per_year / rate.low_per_year == printed("5.6281", NIST)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("failures", [0, 1, 2, 7, 30, 211, 3000])
def test_limits_solve_the_tail_probabilities_of_the_poisson_law(
    failures: int, confidence: float
) -> None:
    """By definition [Garwood]: at each limit the tail beyond the count is alpha / 2."""
    tail = (1 - confidence) / 2
    top = 10 * failures + 50
    high = brentq(lambda m: poisson.cdf(failures, m) - tail, 1e-9, top, xtol=1e-12)
    rate = exact_rate(failures, 1.0, confidence)

    assert rate.high_per_year == pytest.approx(high, rel=1e-9)
    if failures:
        low = brentq(
            lambda m: poisson.sf(failures - 1, m) - tail, 1e-9, top, xtol=1e-12
        )
        assert rate.low_per_year == pytest.approx(low, rel=1e-8)
    else:
        assert rate.low_per_year == 0.0


@pytest.mark.parametrize("unit_years", [1e-3, 1.0, 94.32, 5e6])
def test_limits_of_a_rate_are_those_of_the_count_over_the_time(
    unit_years: float,
) -> None:
    rate = exact_rate(7, unit_years)

    assert rate.per_year * unit_years == pytest.approx(7, rel=1e-12)
    assert rate.low_per_year * unit_years == pytest.approx(
        limits(7).low_per_year, rel=1e-12
    )
    assert rate.high_per_year * unit_years == pytest.approx(
        limits(7).high_per_year, rel=1e-12
    )


@pytest.mark.parametrize("unit_years", [0.0, -1.0, float("nan")])
def test_nothing_watched_is_not_enough_evidence(unit_years: float) -> None:
    with pytest.raises(NotEnoughEvidence):
        exact_rate(0, unit_years)


@pytest.mark.parametrize("mean", [0.5, 2.0, 10.0, 50.0])
def test_limits_cover_a_known_mean_in_95_to_99_of_100_samples(mean: float) -> None:
    """4,000 seeded counts: exact limits are conservative, but not without end.

    The sampler's own noise is allowed for: 3.29 binomial standard errors (99.9 %).
    """
    samples = 4000
    counts = np.random.default_rng(20251001).poisson(mean, samples)
    covered = [
        limits(int(n)).low_per_year <= mean <= limits(int(n)).high_per_year
        for n in counts
    ]
    noise = 3.29 * np.sqrt(0.95 * 0.05 / samples)

    assert 0.95 - noise <= np.mean(covered) <= 0.99 + noise


def test_limits_never_cover_less_than_they_say_whatever_the_mean() -> None:
    """Coverage summed over all counts, no sampling: Garwood's promise itself."""
    counts = np.arange(0, 121)
    low = np.array([limits(int(n)).low_per_year for n in counts])
    high = np.array([limits(int(n)).high_per_year for n in counts])
    for mean in np.linspace(0.05, 60.0, 400):
        inside = (low <= mean) & (mean <= high)
        assert poisson.pmf(counts[inside], mean).sum() >= 0.95


def test_what_cannot_be_a_count_or_a_confidence_is_an_error() -> None:
    for failures, confidence in ((-1, 0.95), (3, 1.5), (3, 0.0)):
        with pytest.raises(ValueError, match="no rate from"):
            exact_rate(failures, 10.0, confidence)
