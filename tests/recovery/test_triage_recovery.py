"""Triage on known cities: a fixed tenth of the full study.

The full study is ``python -m tests.bench.triage``. With few circuits the goals hold up
to the 99.9 % binomial band of their number.
"""

from __future__ import annotations

import pandas as pd
import pytest
from scipy.stats import binom

from tests.recovery.triage_measures import scored
from tests.recovery.triage_study import study


def _as_good_as(goal: float, hits: pd.Series) -> bool:
    return bool(hits.sum() >= binom.ppf(0.0005, len(hits), goal))


@pytest.mark.slow
def test_feed_faults_are_told_from_lone_lights_in_two_cities() -> None:
    found = study(0.5, range(2), lights=20_000, count=2)
    rows = scored(found)
    flagged, detectable = rows[rows["flagged"]], rows[rows["detectable"]]
    assert len(flagged) >= 4
    assert len(detectable) >= 3
    assert _as_good_as(0.92, flagged["positive"])
    assert _as_good_as(0.84, detectable["flagged"])
    judged = rows[rows["judged"]]
    base = judged["positive"].mean()
    brier = ((judged["chance"] - judged["positive"]) ** 2).mean()
    assert brier < base * (1 - base)
