"""Moments searched; which look, report or repair a trouble is held to, by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.triage.troubles import latest_work
from lightwatch.detection.episodes import episodes
from lightwatch.detection.held import unheld
from lightwatch.detection.moments import Moments
from lightwatch.lives import lives
from lightwatch.nights import DAY
from lightwatch.rates import rates
from lightwatch.register import Register
from tests.packages import take_in, write_package


def town(folder: Path, **tables: list[dict[str, Any]]) -> Register:
    """Take in a street of lights L0, L1, ... on road R."""
    numbers = range(20)
    lights = [
        {"light_id": f"L{i}", "longitude": 0.001 * i, "latitude": 50.0, "road_id": "R",
         "technology": "hps", "circuit_id": f"C{i % 2}"}
        for i in numbers
    ]  # fmt: skip
    circuits = [
        {"circuit_id": f"C{i}", "feed": feed, "control": control}
        for i, (feed, control) in enumerate(
            [("underground", "own"), ("underground", "group")]
        )
    ]
    line = {"type": "LineString", "coordinates": [[0, 50], [0.02, 50]]}
    road = {"type": "Feature", "geometry": line, "properties": {"road_id": "R"}}
    package = write_package(
        folder / "town", {"lights": lights, "circuits": circuits, **tables},
        created="2021-01-01T00:00:00Z", opened_on="2016-01-01", roads=[road],
    )  # fmt: skip
    return take_in(package).register


def patrol(name: str, day: str) -> dict[str, Any]:
    return {"patrol_id": name, "started_at": f"{day}T22:00:00", "road_id": "R",
            "kind": "night"}  # fmt: skip


def sighting(patrol_id: str, light: str, day: str) -> dict[str, Any]:
    return {"patrol_id": patrol_id, "light_id": light, "state": "out",
            "seen_at": f"{day}T22:10:00"}  # fmt: skip


def repair(name: str, light: str, day: str, part: str) -> dict[str, Any]:
    return {"repair_id": name, "light_id": light, "performed_at": f"{day}T10:00:00",
            "cause": part, "component": part, "action": "replaced"}  # fmt: skip


def report(name: str, light: str, day: str) -> dict[str, Any]:
    return {"report_id": name, "light_id": light, "received_at": f"{day}T20:00:00",
            "symptom": "out"}  # fmt: skip


def day_of(register: Register, text: str) -> float:
    return register.known.clock.instant(text) / DAY


def test_moments_are_found_by_name_and_none_of_another():
    names, days = pd.Series(["a", "b", "a", "a"]), pd.Series([3.0, 1.0, 5.0, 4.0])
    at = Moments.of(names, days).at(pd.Series(["a", "b", "c", "a"]))
    three = np.full(4, 3.0)
    assert at.next(three)[0].tolist() == [4.0, np.inf, np.inf, 4.0]
    assert at.next(three)[1].tolist() == [3, -1, -1, 3]
    assert at.last(three)[0].tolist() == [-np.inf, 1.0, -np.inf, -np.inf]
    assert at.count(np.full(4, 2.0), np.full(4, 4.0)).tolist() == [2, 0, 0, 2]
    some = at.chosen(np.array([False, True, False, False]))
    assert some.last(np.full(1, 9.0))[1].tolist() == [1]
    none = Moments.of(names[:0], days[:0]).at(names)
    assert none.next(three)[1].tolist() == [-1] * 4


def test_a_light_was_last_seen_lit_before_the_patrols_that_noted_it(tmp_path: Path):
    days = ["2019-01-01", "2019-02-01", "2019-03-01"]
    register = town(
        tmp_path,
        patrols=[patrol(f"N{i}", day) for i, day in enumerate(days)],
        sightings=[sighting("N1", "L0", days[1]), sighting("N2", "L0", days[2])],
        repairs=[repair("W0", "L0", "2019-03-05", "lamp"),
                 repair("W1", "L1", "2019-03-05", "lamp")],
    )  # fmt: skip
    found = episodes(register).set_index("light_id")
    assert found.loc["L0", "passed"] == day_of(register, "2019-01-01T22:00:00")
    assert found.loc["L0", "noticed"] == day_of(register, "2019-02-01T22:10:00")
    assert found.loc["L1", "passed"] == day_of(register, "2019-03-01T22:00:00")


@pytest.mark.parametrize(
    ("told", "mended", "again"),
    [("2019-01-15", "2019-02-27", True), ("2019-06-25", "2019-06-27", False)],
)
def test_a_repair_did_not_hold_if_trouble_was_soon_back_however_late_the_next_crew(
    tmp_path: Path, told: str, mended: str, again: bool
):
    numbers = range(20)
    register = town(
        tmp_path,
        reports=[report(f"Q{i}", f"L{i}", told) for i in numbers],
        repairs=[
            repair(f"V{i}", f"L{i}", "2019-01-01", "photocontrol") for i in numbers
        ]
        + [repair(f"W{i}", f"L{i}", mended, "lamp") for i in numbers],
    )
    assert len(unheld(register)) == (len(numbers) if again else 0)


def test_the_last_answer_of_a_light_counts():
    answered = pd.DataFrame(
        {
            "light_id": ["L0", "L1", "L0"],
            "happened": [30.0, 10.0, 20.0],
            "proven": ["", "", "seen_lit"],
        }
    )
    found = latest_work(answered, "light_id")
    assert found.loc["L0"].tolist() == [30.0, 0.0]
    assert found.loc["L1"].tolist() == [10.0, 0.0]


def test_rates_by_what_a_circuit_is_tell_its_own_column(tmp_path: Path):
    register = town(tmp_path, repairs=[repair("W0", "L1", "2019-02-27", "lamp")])
    by = {
        name: {one.group[name] for one in rates(lives(register), [name])}
        for name in ("feed", "control", "circuit", "road_class")
    }
    assert by["feed"] == {"underground"}
    assert by["control"] == {"own", "group"}
    assert by["circuit"] == {"C0", "C1"}
    assert by["road_class"] == {"unknown"}
