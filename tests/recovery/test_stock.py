"""A few worlds of the study that ``tests.bench.stock`` runs in full."""

from __future__ import annotations

import pytest

from tests.recovery.stock_study import ORACLE, OURS, study
from tests.recovery.stock_worlds import KINDS


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_the_forecast_is_nearly_as_good_as_one_who_knows_the_truth(kind: str) -> None:
    """Two worlds of 30,000 parts: looser bounds than the goals for many."""
    rows = study(kind, range(2), units=30_000, paths=400, ets=False)
    means = rows.groupby("method").mean(numeric_only=True)

    assert means.loc[OURS, "mase"] <= 1.08 * means.loc[ORACLE, "mase"]
    for method in means.index.drop([OURS, ORACLE]):
        assert means.loc[OURS, "pinball"] < 0.85 * means.loc[method, "pinball"]
    assert 0.72 <= means.loc[OURS, "in80"] <= 0.90
    assert means.loc[OURS, "in95"] >= 0.91
    assert means.loc[OURS, "sum24_in95"] >= 0.85
