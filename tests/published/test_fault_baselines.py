"""What triage is compared with, and its measures, against published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import betabinom, binom

from tests.published.printed import printed
from tests.recovery.triage_baselines import (
    clusters,
    discovered,
    excess,
    log_likelihood,
    moments,
    most_likely,
)
from tests.recovery.triage_measures import brier, calibration_error
from tests.recovery.triage_mornings import per_night

BH_1995 = (
    "Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995), 289-300, section 3.2, from "
    "memory: their procedure rejects the four smallest, Bonferroni's three; p-values "
    "as in statsmodels tests/test_multi.py (shared/checks, bh-1995)"
)
P_VALUES = np.array([
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240,
    0.4262, 0.5719, 0.6528, 0.7590, 1.0000,
])  # fmt: skip

SAXONY = (
    "Boys among the first 12 children of 6115 families in Saxony (Geissler; Sokal & "
    "Rohlf; Lindsey & Altham 1998); estimates as the encyclopaedia article on the "
    "beta-binomial prints them, from memory (shared/checks, betabinom-saxony)"
)
FAMILIES = [3, 24, 104, 286, 670, 1033, 1343, 1112, 829, 478, 181, 45, 7]

SCIKIT_LEARN = (
    "class documentation of scikit-learn (shared/checks, dbscan-doc, brier-doc)"
)


def test_four_of_the_fifteen_p_values_of_1995_are_discoveries() -> None:
    found = discovered(P_VALUES)

    assert found.sum() == printed("4", BH_1995)
    assert found[:4].all()
    times = P_VALUES * P_VALUES.size
    assert (times <= 0.05).sum() == printed("3", BH_1995)


def test_families_of_saxony_have_the_printed_moment_estimates() -> None:
    boys = np.repeat(np.arange(13), FAMILIES)
    alpha, beta = moments(boys, np.full(boys.size, 12))

    assert alpha == pytest.approx(34.135, abs=0.001), SAXONY
    assert beta == printed("31.6085", SAXONY)


def test_families_of_saxony_have_the_printed_information_criteria() -> None:
    boys = np.repeat(np.arange(13), FAMILIES)
    twelve = np.full(boys.size, 12)
    alpha, beta = most_likely(boys, twelve)
    share = boys.mean() / 12
    plain = 2 - 2 * binom.logpmf(boys, 12, share).sum()
    spread = 4 - 2 * log_likelihood(boys, twelve, alpha, beta)

    assert plain == pytest.approx(25070.34, abs=0.02), SAXONY
    assert spread == pytest.approx(24989.74, abs=0.02), SAXONY


def test_beta_binomial_of_ones_is_even() -> None:
    for count in range(10):
        found = log_likelihood(np.array([count]), np.array([9]), 1.0, 1.0)
        assert found == pytest.approx(math.log(0.1), abs=1e-12)


def test_excess_is_the_upper_tail_at_the_likeliest_shapes() -> None:
    boys = np.repeat(np.arange(13), FAMILIES)
    twelve = np.full(boys.size, 12)
    alpha, beta = most_likely(boys, twelve)
    chance = excess(boys, twelve)

    assert chance[boys == 0] == pytest.approx(1.0)
    assert chance[boys == 12] == pytest.approx(betabinom.pmf(12, 12, alpha, beta))


def test_clusters_are_those_of_the_documentation() -> None:
    place = np.array([[1, 2], [2, 2], [2, 3], [8, 7], [8, 8], [25, 80]], dtype=float)

    assert clusters(place, 3, 2).tolist() == [0, 0, 0, 1, 1, -1], SCIKIT_LEARN


def test_a_light_counts_itself_and_the_reach_is_inclusive() -> None:
    """Ester et al., KDD-96 (1996), definition 1."""
    line = np.array([[0, 0], [1, 0], [2, 0], [3, 0], [10, 0]], dtype=float)

    assert clusters(line, 1.0, 3).tolist() == [0, 0, 0, 0, -1]


def test_brier_score_is_that_of_the_documentation() -> None:
    found = brier(np.array([0.1, 0.9, 0.8, 0.3]), np.array([0.0, 1.0, 1.0, 0.0]))

    assert found == pytest.approx(0.0375, abs=1e-12), SCIKIT_LEARN


def test_calibration_error_is_the_weighted_gap_of_the_bins() -> None:
    """By hand: in the first bin .12 said and 1 true, in the last .95 said and 1."""
    chance = np.array([0.05, 0.05, 0.02, 0.95])
    true = np.array([0.0, 0.0, 1.0, 1.0])

    assert calibration_error(chance, true) == pytest.approx((0.88 + 0.05) / 4)


def test_half_reported_in_a_fortnight_is_one_in_twenty_a_night() -> None:
    """The identity P(reported within t nights) = 1 - exp(-rate t), in figures."""
    rate = per_night(0.5)

    assert rate == pytest.approx(0.049510512897138946, abs=1e-15)
    for nights, share in ((1, 0.04830484698938042), (7, 0.2928932188134524)):
        assert 1 - math.exp(-rate * nights) == pytest.approx(share, abs=1e-12)
    assert 1 - math.exp(-rate * 30) == pytest.approx(0.7735690839340233, abs=1e-12)
