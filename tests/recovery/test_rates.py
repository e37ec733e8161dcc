"""Rates recover the truth of invented cities: a fixed tenth of the full study.

The full study (400 cities) is ``python -m tests.bench.rates_recovery``. Exact Poisson
limits are conservative, so there is a lower bound only: the 99.9 % band of a binomial
count at .95.
"""

from __future__ import annotations

import pytest
from scipy.stats import binom

from tests.recovery.rates_study import study

TENTH = range(40)


@pytest.mark.slow
def test_true_rates_lie_inside_the_95_percent_limits_as_often_as_they_should() -> None:
    rows = study(TENTH)
    inside, count = int(rows["inside"].sum()), len(rows)
    assert count >= 15 * len(TENTH)
    assert inside >= binom.ppf(0.0005, count, 0.95), (inside, count)
    for name, some in rows.groupby(["kind", "type"]):
        least = binom.ppf(0.0005, len(some), 0.95)
        assert some["inside"].sum() >= least, (name, some["inside"].mean())
