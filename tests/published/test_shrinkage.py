"""Empirical Bayes against published data sets and an independent fit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import gamma

from lightwatch.rates.shrinkage import shrink
from tests.published.printed import printed

PUMPS = (
    "data: Gaver & O'Muircheartaigh, Technometrics 29 (1987), 1-15; George, Makov & "
    "Smith, Scandinavian Journal of Statistics 20 (1993), 147-156. Expected: computed "
    "by two independent programs, no printed value seen (shared/checks, eb_pumps)"
)
FAILURES = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
THOUSAND_HOURS = [94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48]

MITES = (
    "Bliss & Fisher, Biometrics 9 (1953), 176-200: European red mites on 150 apple "
    "leaves; k by maximum likelihood; from memory"
)
LEAVES = [70, 38, 17, 10, 9, 3, 2, 1]

LIP_CANCER = (
    "Clayton & Kaldor, Biometrics 43 (1987), 671-681: Scotland 1975-80, 56 districts; "
    "data as held in IowaBiostat/data-sets, lip-cancer.txt"
)
OBSERVED = [
    9, 39, 11, 9, 15, 8, 26, 7, 6, 20, 13, 5, 3, 8, 17, 9, 2, 7, 9, 7, 16, 31, 11,
    7, 19, 15, 7, 10, 16, 11, 5, 3, 7, 8, 11, 9, 11, 8, 6, 4, 10, 8, 2, 6, 19, 3, 2,
    3, 28, 6, 1, 1, 1, 1, 0, 0,
]  # fmt: skip
EXPECTED = [
    1.4, 8.7, 3.0, 2.5, 4.3, 2.4, 8.1, 2.3, 2.0, 6.6, 4.4, 1.8, 1.1, 3.3, 7.8, 4.6,
    1.1, 4.2, 5.5, 4.4, 10.5, 22.7, 8.8, 5.6, 15.5, 12.5, 6.0, 9.0, 14.4, 10.2, 4.8,
    2.9, 7.0, 8.5, 12.3, 10.1, 12.7, 9.4, 7.2, 5.3, 18.8, 15.8, 4.3, 14.6, 50.7,
    8.2, 5.6, 9.3, 88.7, 19.6, 3.4, 3.6, 5.7, 7.0, 4.2, 1.8,
]  # fmt: skip


def test_pumps_have_the_known_law_of_rates_and_posterior_means() -> None:
    found = shrink(FAILURES, THOUSAND_HOURS)

    assert found.prior_shape == printed("0.8223", PUMPS)
    assert found.prior_rate == printed("1.259", PUMPS)
    assert found.rate[0] == printed("0.0609", PUMPS)
    assert found.rate[4] == printed("0.5881", PUMPS)
    assert found.rate[9] == printed("1.9441", PUMPS)
    assert not found.note


def test_pump_limits_given_the_law_are_those_of_the_gamma_posterior() -> None:
    found = shrink(FAILURES, THOUSAND_HOURS, confidence=0.9, law_known=True)
    shape = found.prior_shape + np.array(FAILURES)
    scale = 1 / (found.prior_rate + np.array(THOUSAND_HOURS))

    assert found.low == pytest.approx(gamma.ppf(0.05, shape, scale=scale), rel=1e-9)
    assert found.high == pytest.approx(gamma.ppf(0.95, shape, scale=scale), rel=1e-9)


def test_mites_on_apple_leaves_have_the_printed_shape() -> None:
    counts = np.repeat(np.arange(8), LEAVES)
    found = shrink(counts, np.ones(counts.size))

    assert found.prior_shape == printed("1.0246", MITES)
    assert found.prior_mean == printed("1.1467", MITES)


@pytest.mark.parametrize(
    ("failures", "exposure", "source"),
    [(OBSERVED, EXPECTED, LIP_CANCER), (FAILURES, THOUSAND_HOURS, PUMPS)],
)
def test_the_law_of_rates_agrees_with_an_independent_negative_binomial_fit(
    failures: list[int], exposure: list[float], source: str
) -> None:
    from statsmodels.discrete.discrete_model import NegativeBinomial

    found = shrink(failures, exposure)
    model = NegativeBinomial(
        np.array(failures), np.ones((len(failures), 1)), offset=np.log(exposure)
    )
    start = [np.log(sum(failures) / sum(exposure)), 1.0]
    fitted = model.fit(start_params=start, disp=False, maxiter=500, gtol=1e-9)
    log_mean, spread = fitted.params

    assert found.prior_shape == pytest.approx(1 / spread, rel=1e-4), source
    assert found.prior_mean == pytest.approx(np.exp(log_mean), rel=1e-4), source
    assert found.log_likelihood == pytest.approx(fitted.llf, abs=1e-6), source


def test_district_with_no_cases_is_drawn_up_and_the_extreme_one_down() -> None:
    found = shrink(OBSERVED, EXPECTED)
    raw = np.array(OBSERVED) / np.array(EXPECTED)

    assert 0 < found.rate[54] < found.prior_mean
    assert found.prior_mean < found.rate[0] < raw[0]
    assert np.ptp(found.rate) < np.ptp(raw)
    assert np.all((found.low < found.rate) & (found.rate < found.high))
