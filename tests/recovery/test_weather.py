"""The weather model finds its truth: a fixed tenth of the full study.

The full study (400 replicates) is ``python -m tests.recovery.weather_study``.
"""

from __future__ import annotations

import pandas as pd
import pytest
from scipy.stats import binom

from tests.recovery.weather_study import TRUTH, study, summary

TENTH = range(40)


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    return study(TENTH)


@pytest.mark.slow
@pytest.mark.parametrize("covariate", list(TRUTH))
@pytest.mark.parametrize("way", ["known month", "latent month"])
def test_95_percent_limits_cover_the_true_ratio_as_often_as_they_should(
    rows: pd.DataFrame, way: str, covariate: str
) -> None:
    some = rows[(rows["way"] == way) & (rows["covariate"] == covariate)]
    least = binom.ppf(0.0005, len(some), 0.95)
    assert len(some) == len(TENTH)
    assert some["inside"].sum() >= least
    off = some["estimate"].mean() - some["truth"].iloc[0]
    assert abs(off) < 3.3 * some["estimate"].std() / len(some) ** 0.5


@pytest.mark.slow
def test_not_knowing_the_month_is_paid_for_in_the_stated_error(
    rows: pd.DataFrame,
) -> None:
    table = summary(rows)["stated"]
    for covariate in TRUTH:
        known, latent = (
            table[covariate][way] for way in ("known month", "latent month")
        )
        assert latent > 1.3 * known


@pytest.mark.slow
@pytest.mark.parametrize("way", ["month of notice", "the month before"])
def test_the_month_of_notice_halves_the_effect_and_never_covers_it(
    rows: pd.DataFrame, way: str
) -> None:
    some = rows[(rows["way"] == way) & (rows["covariate"] == "freeze_thaw")]
    assert some["estimate"].mean() < 0.6 * TRUTH["freeze_thaw"]
    assert not some["inside"].any()
