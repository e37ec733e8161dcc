"""Delays until trouble is noticed: the truth of an invented city is the judge."""

from __future__ import annotations

import time
from pathlib import Path

import pandas as pd
import pytest

from demo_city import Parameters, simulate
from lightwatch.detection import SURE, detection
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.register import Register
from lightwatch.store import open_store


@pytest.mark.slow
def test_delays_and_hit_rates_are_near_the_truth(tmp_path: Path) -> None:
    city = simulate(Parameters.city(), seed=3)
    city.write(tmp_path / "package")
    store = open_store(f"sqlite:///{tmp_path}/city.db", create=True)
    load(
        store,
        Package.open(tmp_path / "package"),
        now=time.time_ns() // 1000,
        said_by="study",
    )
    found = detection(Register(Known(store, default_as_of(store))))
    true = city.truth.failures
    true = true[true["noticed_at"] != ""]
    waited = pd.to_datetime(true["noticed_at"]) - pd.to_datetime(true["failed_at"])
    days = (waited.dt.total_seconds() / 86_400).groupby(true["symptom"]).mean()
    for symptom in ("out", "cycling", "dayburning", "dim", "flickering"):
        ratio = found.mean_delay_days(symptom) / days[symptom]
        assert 0.75 < ratio < 1.25, (symptom, ratio)
    assert found.hit["out"] == pytest.approx(0.95, abs=0.06)
    assert found.hit["cycling"] == pytest.approx(0.5, abs=0.1)
    assert found.hit_chance("out") >= SURE
    assert found.hit_chance("cycling") < SURE
