"""A Weibull that does not fit says so; one that does keeps quiet."""

from __future__ import annotations

import numpy as np

from lightwatch.rates.goodness import Goodness, goodness
from lightwatch.rates.weibull import fit_weibull


def judged(age: np.ndarray, rng: np.random.Generator) -> Goodness:
    """Watch lives for ten years from a random age, fit a Weibull, judge it."""
    entry = rng.uniform(0, 12, len(age)) * (rng.random(len(age)) < 0.6)
    seen = age > entry
    age, entry = age[seen], entry[seen]
    leave = np.minimum(age, entry + 10)
    failed = age <= entry + 10
    fit = fit_weibull(entry, leave, np.where(failed, leave, np.inf))
    return goodness(fit, entry, leave, failed, np.ones(len(age)))


def test_true_weibull_lives_are_nearly_always_accepted() -> None:
    rng = np.random.default_rng(5)
    found = [judged(12 * rng.weibull(1.7, 1500), rng) for _ in range(100)]
    accepted = sum(one.fits for one in found)
    assert accepted >= 95
    assert any(one.p_value < 0.3 for one in found if one.p_value is not None)
    total = sum(one.observed.sum() - one.expected.sum() for one in found)
    assert abs(total) < 1.0


def test_infant_mortality_and_lognormal_wear_out_are_seen_not_to_be_weibull() -> None:
    rng = np.random.default_rng(6)
    for _ in range(10):
        young = rng.random(6000) < 0.06
        age = np.where(
            young, rng.exponential(0.4, 6000), 10 * rng.lognormal(0, 0.35, 6000)
        )
        found = judged(age, rng)
        assert not found.fits
        assert "a Weibull does not fit" in found.in_words()


def test_too_few_failures_are_no_evidence_either_way() -> None:
    rng = np.random.default_rng(7)
    found = judged(30 * rng.weibull(1.5, 60), rng)
    assert found.p_value is None
    assert found.in_words() == ""
