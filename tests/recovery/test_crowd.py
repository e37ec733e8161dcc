"""How lights dark together are reported is found again from mended faults."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.triage import troubles
from lightwatch.decisions.triage.crowd import Crowd, crowd
from lightwatch.nights import DAY

FAULTS, LIGHTS, EVERY, ALONE = 500, 8, 40.0, 0.02


@pytest.fixture(autouse=True)
def _reports_are_open_and_name_their_light(monkeypatch):
    def placed(register):
        return register.known.reports.assign(original="")

    def closings(register):
        return {"closed": np.nan, "closed_as": ""}

    monkeypatch.setattr(troubles, "placed", placed)
    monkeypatch.setattr(troubles, "closings", closings)


def _faults(true, rng):
    """Faults begun between two patrols; mended 12 days after they are known."""
    reports, sightings, repairs = [], [], []
    for i in range(FAULTS):
        ids = [f"L{i * LIGHTS + j}" for j in range(LIGHTS)]
        patrol = 1000 * EVERY
        began = patrol - EVERY * rng.random()
        first = began + rng.exponential(1 / (ALONE * true.first * LIGHTS))
        told = rng.integers(LIGHTS)
        known = min(first, patrol)
        mended = known + 12.0
        if first >= patrol:
            sightings += [(one, patrol) for one in ids]
        else:
            reports.append((ids[told], first))
        if first < mended:
            wait = rng.exponential(1 / (ALONE * true.later), LIGHTS)
            reports += [
                (one, first + wait[j])
                for j, one in enumerate(ids)
                if j != told and first + wait[j] < mended
            ]
            if first >= patrol:
                reports.append((ids[told], first))
        repairs.append((f"C{i}", mended))
    return reports, sightings, repairs


def _register(true, rng):
    reports, sightings, repairs = _faults(true, rng)
    name = [f"C{i // LIGHTS}" for i in range(FAULTS * LIGHTS)]
    lights = pd.DataFrame({"circuit_id": name, "section_id": "", "road_id": name})
    lights["light_id"] = [f"L{i}" for i in range(len(lights))]
    lights[["longitude", "latitude"]] = 0.0
    told = pd.DataFrame(reports, columns=["light_id", "happened"])
    told = told.assign(
        symptom="out", danger="", report_id="", longitude=0.0, latitude=0.0
    )
    seen = pd.DataFrame(sightings, columns=["light_id", "happened"])
    mends = pd.DataFrame(repairs, columns=["circuit_id", "happened"]).assign(
        light_id="", section_id="", named=False, component="cable", cause="supply",
        proven="", report_id="",
    )  # fmt: skip
    rounds = np.repeat([998.0, 999.0, 1000.0], FAULTS) * EVERY
    patrols = pd.DataFrame(
        {"road_id": [f"C{i}" for i in range(FAULTS)] * 3, "happened": rounds}
    ).assign(kind="night")
    for frame in (told, seen, mends, patrols):
        frame["happened"] *= DAY
    none = pd.DataFrame({"section_id": [], "upstream_section_id": []}, dtype=object)
    known = SimpleNamespace(
        lights=lights, reports=told, sightings=seen.assign(state="out"),
        patrols=patrols, sections=none,
    )  # fmt: skip
    return SimpleNamespace(known=known, standing=lights), mends


@pytest.mark.parametrize("true", [Crowd(0.3, 0.8), Crowd(0.9, 0.4)])
def test_both_shares_are_found_again(true):
    register, mends = _register(true, np.random.default_rng(11))
    detected = SimpleNamespace(
        reported_per_day=lambda lights, symptom: np.full(len(lights), ALONE)
    )
    found = crowd(register, detected, mends)
    assert found.first == pytest.approx(true.first, rel=0.15)
    assert found.later == pytest.approx(true.later, rel=0.15)


def test_without_a_fault_on_record_the_usual_shares_stand():
    register, mends = _register(Crowd(), np.random.default_rng(1))
    detected = SimpleNamespace(
        reported_per_day=lambda lights, symptom: np.full(len(lights), ALONE)
    )
    found = crowd(register, detected, mends.iloc[:0])
    assert found.first == pytest.approx(0.7, abs=1e-3)
    assert found.later == pytest.approx(0.7)
