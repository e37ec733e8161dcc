"""Planned patrols find what they expect: ten nights of the full study.

The full study (200 nights) is ``python -m tests.bench.patrol nights``. Finds come in
clumps, whole feeds at a time, so that few nights allow a wide band only.
"""

from __future__ import annotations

import pytest

from tests.recovery.patrol_study import study


@pytest.mark.slow
def test_patrols_of_ten_simulated_nights_find_about_what_they_expect() -> None:
    rows = study([700], 10)
    expected, found = rows["expected"].sum(), rows["found"].sum()
    assert len(rows) == 10
    assert 0.5 <= found / expected <= 2.0, (expected, found)
    assert found > rows["rotation"].sum()
