"""Weibull limits hold the truth: a fixed tenth of the full study.

The full study (400 towns) is ``python -m tests.bench.weibull_recovery``; there the band
is .91 to .9825, 99.9 % of a binomial count of 400 at .95.
"""

from __future__ import annotations

import pytest
from scipy.stats import binom

from tests.recovery.weibull_study import study

TENTH = range(40)


@pytest.mark.slow
def test_true_values_lie_inside_the_profile_limits_as_often_as_they_should() -> None:
    rows = study(TENTH)
    assert (rows["method"] == "profile likelihood").all()
    for name, some in rows.groupby("name"):
        least = binom.ppf(0.0005, len(TENTH), 0.95)
        assert some["inside"].sum() >= least, (name, some["inside"].mean())
    assert rows["inside"].mean() < 1.0
