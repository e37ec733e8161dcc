"""What a light is worth a look where something is open on its circuit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lightwatch.decisions.areas import Area
from lightwatch.decisions.patrol.worth import worth
from lightwatch.decisions.triage import Outage, outages
from lightwatch.decisions.triage.together import as_one, shared_out
from lightwatch.detection import detection
from lightwatch.lives import Lives, lives
from lightwatch.nights import DAY
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from tests.packages import take_in, write_package
from tests.small_city import DARK as TOLD
from tests.small_city import small_city

LIGHT = TOLD[0]


@pytest.fixture(scope="module")
def village(tmp_path_factory) -> Lives:
    store = open_store(small_city(tmp_path_factory.mktemp("village")))
    return lives(Register(Known(store, default_as_of(store))))


@pytest.fixture(scope="module")
def told(village: Lives) -> Outage:
    return next(one for one in outages(village) if LIGHT in one.reported)


def found(village: Lives, *some: Outage):
    at_day = village.register.as_of / DAY
    value, _ = worth(village, detection(village.register), some, at_day, weights={})
    return value["found"]


def test_every_light_of_a_circuit_told_of_is_judged(village, told):
    standing = village.register.standing.set_index("light_id")["circuit_id"]
    circuit = standing[standing == told.circuit_id]
    assert set(told.dark) == set(circuit.index)
    assert all(0 < one < 1 for one in told.dark.values())
    by_feed = told.probabilities["supply_fault"]
    by_feed += told.probabilities["group_photocontrol"]
    assert told.dark[LIGHT] == pytest.approx(by_feed)


def test_only_dark_lights_tell_of_their_feed(tmp_path):
    lights = [
        {"light_id": f"L{i}", "longitude": 0.001 * i, "latitude": 50.0,
         "circuit_id": "C1"}
        for i in range(4)
    ]  # fmt: skip
    reports = [
        {"report_id": f"Q{i}", "light_id": f"L{i}", "symptom": symptom,
         "received_at": "2024-02-28T20:00:00"}
        for i, symptom in enumerate(("out", "dayburning"))
    ]  # fmt: skip
    package = write_package(
        tmp_path / "town",
        {"lights": lights, "reports": reports,
         "circuits": [{"circuit_id": "C1", "control": "group"}]},
        created="2024-03-01T00:00:00Z", opened_on="2020-01-01",
    )  # fmt: skip
    some = outages(lives(take_in(package).register))
    judged = {one.symptom: set(one.dark) for one in some}
    assert judged == {"out": {f"L{i}" for i in range(4)}, "dayburning": set()}


def test_silent_lights_are_expected_dark_as_they_were_judged(village, told):
    """By itself or by its feed, and noted if it is."""
    hit = detection(village.register).hit_chance("out")
    silent = next(one for one in told.dark if one not in told.reported)
    lit = found(village, replace(told, dark={silent: 0.0}))
    half = found(village, replace(told, dark={silent: 0.5}))
    own = lit[silent] / hit
    assert half[silent] == pytest.approx(hit * (1 - 0.5 * (1 - own)))
    others = half.index != silent
    assert half[others].to_numpy() == pytest.approx(lit[others].to_numpy())
    assert half[LIGHT] == 0


def test_of_two_judgements_of_a_light_the_worse_counts(village, told):
    silent = next(one for one in told.dark if one not in told.reported)
    some = [replace(told, dark={silent: one}) for one in (0.1, 0.6, 0.2)]
    assert found(village, *some)[silent] == found(village, some[1])[silent]


def test_what_an_area_explains_is_no_fault_of_a_feed(told):
    area = Area((told.circuit_id,), told.since, told.since, 2.0, 0.1, 0.01, 0.7)
    for outage in (shared_out(told, area), as_one(area, [told])):
        assert outage.dark == pytest.approx(
            {light: 0.3 * one for light, one in told.dark.items()}
        )
