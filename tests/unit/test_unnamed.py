"""Repairs of a light's own part that name only a circuit belong to one light, or none.

They never answer for the whole circuit; feeds, group controls and what nobody says do.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lightwatch.decisions.triage.habits import level_of_work
from lightwatch.decisions.triage.signs import Signs
from lightwatch.lives import lives
from lightwatch.register import Register
from tests.packages import take_in, write_package

LIGHTS = 6
W1 = {"repair_id": "W1", "performed_at": "2024-06-10T10:00", "circuit_id": "C1",
      "cause": "lamp", "component": "lamp", "action": "replaced",
      "fitted_model": "LA-1"}  # fmt: skip


def report(light: int, day: str, **more: Any) -> dict[str, Any]:
    return {"report_id": f"Q{light}{day}", "received_at": f"2024-{day}T20:00",
            "light_id": f"L{light}", "symptom": "out"} | more  # fmt: skip


def town(
    folder: Path, reports: list[dict[str, Any]], *repairs: dict[str, Any]
) -> Register:
    """Six lights on one circuit; the last is an LED and has no lamp."""
    names = [f"L{i}" for i in range(LIGHTS)]
    lights = [
        {"light_id": name, "longitude": 2 + i / 1000, "latitude": 48.0,
         "circuit_id": "C1"}
        for i, name in enumerate(names)
    ]  # fmt: skip
    kinds = ["lamp"] * (LIGHTS - 1) + ["driver"]
    parts = [
        {"light_id": name, "kind": kind, "model": "LA-1" if kind == "lamp" else "DR-1"}
        for name, kind in zip(names, kinds, strict=True)
    ]
    parts += [{"light_id": name, "kind": "photocontrol"} for name in names]
    models = [{"model": "LA-1", "kind": "lamp", "type": "hps"},
              {"model": "DR-1", "kind": "driver", "type": "led"}]  # fmt: skip
    tables = {"lights": lights, "components": parts, "models": models,
              "circuits": [{"circuit_id": "C1", "control": "own"}],
              "reports": reports, "repairs": list(repairs)}  # fmt: skip
    package = write_package(
        folder, tables, created="2025-01-01T00:00:00Z", opened_on="2023-01-01"
    )
    done = take_in(package)
    assert done.outcome.rejects == []
    return done.register


def light_of(register: Register, repair: str = "W1") -> str:
    return str(register.known.repairs.set_index("repair_id").at[repair, "light_id"])


def still_open(register: Register) -> set[str]:
    return set(Signs.of(register).open["light_id"])


def test_it_is_at_the_one_light_in_trouble_and_ends_a_life_there(tmp_path) -> None:
    found = town(tmp_path / "town", [report(2, "06-05")], W1)
    assert light_of(found) == "L2"
    frame = lives(found).frame
    assert list(frame.loc[frame["failed"], ["light_id", "kind"]].iloc[0]) == [
        "L2", "lamp"
    ]  # fmt: skip
    assert still_open(found) == set()


def test_where_two_are_as_likely_it_is_at_none_and_both_stay_open(tmp_path) -> None:
    found = town(tmp_path / "town", [report(2, "06-05"), report(3, "06-05")], W1)
    assert light_of(found) == ""
    assert found.known.repairs["named"].all()
    assert still_open(found) == {"L2", "L3"}


@pytest.mark.parametrize(
    "other",
    [
        report(5, "06-05"),  # an LED has no lamp
        report(3, "06-05", symptom="dayburning"),  # not seen of a lamp
        report(3, "03-01"),  # too long before
        report(3, "06-12"),  # after it
    ],
)
def test_a_light_that_it_cannot_have_been_does_not_count(tmp_path, other) -> None:
    found = W1 | {"symptom_found": "out"}
    made = town(tmp_path / "town", [report(2, "06-05"), other], found)
    assert light_of(made) == "L2"


def test_a_trouble_that_a_later_repair_ended_is_hardly_the_one(tmp_path) -> None:
    later = W1 | {"repair_id": "W2", "light_id": "L3", "performed_at": "2024-06-14"}
    reports = [report(2, "06-05"), report(3, "06-05")]
    assert light_of(town(tmp_path / "town", reports, W1, later)) == "L2"


def test_a_report_that_a_repair_names_is_spoken_for(tmp_path) -> None:
    named = W1 | {"repair_id": "W2", "report_id": "Q306-05", "circuit_id": "",
                  "performed_at": "2024-06-14"}  # fmt: skip
    reports = [report(2, "06-05"), report(3, "06-05")]
    assert light_of(town(tmp_path / "town", reports, W1, named)) == "L2"


@pytest.mark.parametrize(
    "whole",
    [
        {"cause": "supply", "component": "", "action": "repaired"},
        {"cause": "fuse", "component": "fuse"},
        {"cause": "unknown", "component": "", "action": "repaired"},
        {"cause": "programme"},
        {"cause": "none", "component": "", "action": "no_fault_found"},
    ],
)
def test_what_is_not_a_lights_own_is_still_the_whole_circuits(tmp_path, whole) -> None:
    reports = [report(2, "06-05"), report(3, "06-05")]
    found = town(tmp_path / "town", reports, W1 | {"fitted_model": ""} | whole)
    assert light_of(found) == ""
    assert not found.known.repairs["named"].any()
    assert still_open(found) == set()


@pytest.mark.parametrize(("control", "level"), [("own", "own"), ("group", "group")])
def test_a_photocontrol_is_the_circuits_where_the_control_is(
    tmp_path, control, level
) -> None:
    part = {"cause": "photocontrol", "component": "photocontrol", "fitted_model": ""}
    folder = tmp_path / "town"
    made = town(folder, [report(2, "06-05")], W1 | part)
    with made.known.store.engine.begin() as connection:
        connection.exec_driver_sql(f"UPDATE circuits SET control = '{control}'")
    found = Register(type(made.known)(made.known.store, made.as_of))
    assert list(level_of_work(found.known.repairs)) == [level]
    assert light_of(found) == ("L2" if level == "own" else "")


def test_one_that_names_only_a_report_is_at_the_light_nearest_to_it(tmp_path) -> None:
    place = {"light_id": "", "longitude": 2.00205, "latitude": 48.0001}
    named = W1 | {"circuit_id": "", "report_id": "Q206-05"}
    assert light_of(town(tmp_path / "a", [report(2, "06-05", **place)], named)) == "L2"
    far = place | {"latitude": 48.01}
    assert light_of(town(tmp_path / "b", [report(2, "06-05", **far)], named)) == ""
