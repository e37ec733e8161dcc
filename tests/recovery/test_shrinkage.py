"""Limits drawn towards the others hold the true rates: a part of the bench's study.

The full study is ``python -m tests.bench.shrinkage``. Bands are those of a binomial
count at .95, 99.9 %. Thin groups that are much alike share one error and lie inside
or outside together: there only the lower end of the band is asked for.
"""

from __future__ import annotations

import pandas as pd
import pytest
from scipy.stats import binom

from tests.recovery.shrinkage_study import Town, study


def outside_the_band(rows: pd.DataFrame, name: str, most: float = 1.0) -> list[str]:
    """Return what of all groups, and of each third, lies outside the band."""
    some = {"all": rows, **dict(list(rows.groupby(name)))}
    found = []
    for which, one in some.items():
        inside, count = int(one["inside"].sum()), len(one)
        low, high = binom.ppf([0.0005, most], count, 0.95)
        if not low <= inside <= high:
            found.append(f"{which}: {inside} of {count}")
    return found


@pytest.mark.slow
@pytest.mark.parametrize("typical", [0.5, 2, 10, 100, 1000, 3000, 10000])
def test_limits_hold_the_true_rates_however_much_groups_differ(typical: float) -> None:
    rows = study(Town(typical, None), 80)
    assert rows["own"].all(), "an estimate lies outside its own limits"
    assert not outside_the_band(rows, "by_rate")


@pytest.mark.slow
@pytest.mark.parametrize("spread", [0.3, 1.0])
@pytest.mark.parametrize("typical", [100, 1000, 3000, 10000])
def test_with_many_failures_limits_hold_the_low_rates_as_often_as_the_high(
    typical: float, spread: float
) -> None:
    rows = study(Town(typical, spread), 80)
    assert rows["own"].all(), "an estimate lies outside its own limits"
    assert not outside_the_band(rows, "by_truth", 0.9995)
