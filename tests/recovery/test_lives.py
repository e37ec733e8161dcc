"""Lives recover the truth of invented cities: a fixed tenth of the full study.

The full study (400 cities) is ``python -m tests.bench.lives_recovery``: there 95 %
limits cover in 91-98.25 %, the 99.9 % band of a binomial count of 400 at .95. Here the
same band is taken for the number of cities run.
"""

from __future__ import annotations

import pytest
from scipy.stats import binom

from tests.recovery.lives_study import study

TENTH = range(40)


@pytest.mark.slow
def test_true_lives_and_ratios_lie_inside_their_limits_often_enough() -> None:
    rows = study(TENTH)
    for what, some in rows.groupby("what"):
        cities = some["seed"].nunique()
        least = binom.ppf(0.0005, cities, 0.95) / cities
        assert cities == len(TENTH), what
        assert some["inside"].mean() >= least, (what, some["inside"].mean())
