"""Areas known by their reports: told as one, over when reports cease, damage stays."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.areas.bursts import Starts, Traffic
from lightwatch.decisions.triage import Outage, outages
from lightwatch.decisions.triage.area_events import _Found, _grown
from lightwatch.decisions.triage.habits import source_faults
from lightwatch.lives import lives
from lightwatch.nights import DAY
from tests.packages import take_in, write_package

OPENED = datetime(2023, 1, 1, tzinfo=UTC)
STORM = datetime(2024, 11, 20, 17, 0, tzinfo=UTC)
SIDE, EACH = 6, 12
HIT = ("C14", "C15", "C20", "C21")


def lights() -> list[dict[str, Any]]:
    rng = np.random.default_rng(1)
    made = []
    for circuit in range(SIDE * SIDE):
        row, column = divmod(circuit, SIDE)
        for i in range(EACH):
            east, north = rng.uniform(0, 0.002, 2)
            made.append({
                "light_id": f"L{circuit:02d}{i:02d}", "pole_id": "",
                "longitude": 10 + column * 0.0025 + east,
                "latitude": 50 + row * 0.002 + north, "circuit_id": f"C{circuit:02d}",
                "technology": "led", "road_id": f"R{circuit:02d}",
            })  # fmt: skip
    return made


CIRCUITS = [
    {"circuit_id": f"C{i:02d}", "feed": "underground", "voltage": 240, "control": "own"}
    for i in range(SIDE * SIDE)
]


def written(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def ordinary() -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Two years of single lights, each told of and mended some days later."""
    rng = np.random.default_rng(2)
    reports, repairs = [], []
    until = (STORM - OPENED).days - 6
    for number, day in enumerate(np.sort(rng.uniform(1, until, 250))):
        at = OPENED + timedelta(days=int(day), hours=float(rng.uniform(17, 23)))
        light = f"L{rng.integers(SIDE * SIDE):02d}{rng.integers(EACH):02d}"
        mended = written(at + timedelta(days=4))
        reports.append({"report_id": f"Q{number}", "received_at": written(at),
                        "light_id": light, "symptom": "out"})  # fmt: skip
        repairs.append({
            "repair_id": f"W{number}", "performed_at": mended, "recorded_at": mended,
            "report_id": f"Q{number}", "light_id": light, "cause": "photocontrol",
            "action": "replaced", "component": "photocontrol", "proven": "cover_test",
        })  # fmt: skip
    return reports, repairs


def storm(**changed: str) -> list[dict[str, Any]]:
    """Three lights of each circuit told of within three hours."""
    made = []
    for i, circuit in enumerate(HIT):
        for k in range(3):
            at = STORM + timedelta(minutes=13 * i + 47 * k + 9)
            made.append({
                "report_id": f"S{circuit}{k}", "received_at": written(at),
                "light_id": f"L{circuit[1:]}{k:02d}", "symptom": "out", **changed,
            })  # fmt: skip
    return made


def judged(folder: Path, now: datetime, more: dict[str, Any]) -> list[Outage]:
    reports, repairs = ordinary()
    tables = {
        "lights": lights(),
        "circuits": CIRCUITS,
        "reports": [*reports, *more.get("reports", storm())],
        "repairs": [*repairs, *more.get("repairs", [])],
        "patrols": more.get("patrols", []),
        "sightings": more.get("sightings", []),
    }
    path = write_package(
        folder / "town", tables, created=written(now), opened_on="2023-01-01"
    )
    taken = take_in(path)
    assert not taken.outcome.rejects
    return outages(lives(taken.register))


def hit(found: list[Outage]) -> list[Outage]:
    """Return the entries of lights that the storm darkened."""
    return [
        one for one in found if any(f"C{light[1:3]}" in HIT for light in one.reported)
    ]


def test_a_storm_is_one_entry_from_its_second_hour(tmp_path: Path) -> None:
    [area] = hit(judged(tmp_path, STORM + timedelta(hours=3), {}))
    assert area.verdict == "area_outage"
    assert area.probability > 0.8
    assert len(area.reported) == 12
    assert area.circuit_id is None
    assert "12 lights on 4 circuits near each other" in area.why[0]
    assert {f"L{one[1:]}11" for one in HIT} <= set(area.lights)
    assert sum(area.probabilities.values()) == pytest.approx(1.0)


@pytest.mark.parametrize(("lights", "joins"), [(3, True), (1, False)])
def test_a_circuit_at_its_edge_joins_if_several_of_its_lights_were_told_of(
    tmp_path: Path, lights: int, *, joins: bool
) -> None:
    edge = [
        {"report_id": f"E{k}", "light_id": f"L32{10 - k:02d}", "symptom": "out",
         "received_at": written(STORM + timedelta(minutes=9 * k - 20))}
        for k in range(lights)
    ]  # fmt: skip
    now = STORM + timedelta(hours=3)
    found = judged(tmp_path, now, {"reports": [*storm(), *edge]})
    [area] = [one for one in found if one.verdict == "area_outage"]
    told = {one["light_id"] for one in edge}
    assert (told <= set(area.reported)) == joins
    assert area.since.astimezone(UTC) == STORM + timedelta(minutes=-20 if joins else 9)


def test_it_is_over_when_reports_cease_and_leaves_the_list(tmp_path: Path) -> None:
    [area] = hit(judged(tmp_path / "a", STORM + timedelta(days=4), {}))
    assert area.over
    assert area.verdict == "no_fault"
    assert area.probabilities["area_outage"] < 0.2
    for name, days in (("b", 20), ("c", 45), ("d", 400)):
        later = judged(tmp_path / name, STORM + timedelta(days=days), {})
        assert hit(later) == [], days


def patrol(at: datetime) -> list[dict[str, Any]]:
    return [
        {"patrol_id": "N1", "started_at": written(at), "road_id": f"R{one[1:]}",
         "kind": "night"}
        for one in HIT
    ]  # fmt: skip


def test_a_patrol_says_whether_it_is_over(tmp_path: Path) -> None:
    night = STORM + timedelta(hours=4)
    now = STORM + timedelta(hours=20)
    more: dict[str, Any] = {"patrols": patrol(night)}
    before = hit(judged(tmp_path / "a", now, {}))
    lit = hit(judged(tmp_path / "b", now, more))
    more["sightings"] = [
        {"patrol_id": "N1", "light_id": f"L{one[1:]}{i:02d}", "state": "out",
         "seen_at": written(night + timedelta(minutes=20))}
        for one in HIT for i in range(EACH)
    ]  # fmt: skip
    dark = hit(judged(tmp_path / "c", now, more))
    still = [
        max((one.probabilities["area_outage"] for one in some), default=0.0)
        for some in (lit, before, dark)
    ]
    assert still[0] < 0.2
    assert still[0] < still[1] < still[2]


def test_restorations_on_record_end_it(tmp_path: Path) -> None:
    at = written(STORM + timedelta(hours=5))
    rows = [
        {"repair_id": f"X{one}", "performed_at": at, "recorded_at": at,
         "circuit_id": one, "cause": "supply", "action": "reset"}
        for one in HIT
    ]  # fmt: skip
    found = judged(tmp_path, STORM + timedelta(hours=20), {"repairs": rows})
    assert hit(found) == []


def test_danger_is_never_told_as_part_of_an_area(tmp_path: Path) -> None:
    wires = {
        "report_id": "D1", "received_at": written(STORM + timedelta(minutes=50)),
        "light_id": f"L{HIT[0][1:]}07", "symptom": "out", "danger": "exposed_wires",
    }  # fmt: skip
    more = {"reports": [*storm(), wires]}
    for name, later in (("a", 3), ("b", 96)):
        found = hit(judged(tmp_path / name, STORM + timedelta(hours=later), more))
        [own] = [one for one in found if one.danger]
        assert own.reported == (wires["light_id"],)
        assert found[0] is own


def test_a_call_on_the_next_day_is_of_the_area(tmp_path: Path) -> None:
    late = {
        "report_id": "B1", "received_at": written(STORM + timedelta(hours=20)),
        "light_id": f"L{HIT[1][1:]}05", "symptom": "out",
    }  # fmt: skip
    more = {"reports": [*storm(), late]}
    [area] = hit(judged(tmp_path, STORM + timedelta(days=3), more))
    assert area.over
    assert late["light_id"] in area.reported


def test_what_is_told_after_it_is_damage(tmp_path: Path) -> None:
    again = {
        "report_id": "A1", "received_at": written(STORM + timedelta(days=6)),
        "light_id": f"L{HIT[1][1:]}01", "symptom": "out",
    }  # fmt: skip
    more = {"reports": [*storm(), again]}
    found = hit(judged(tmp_path, STORM + timedelta(days=7), more))
    [own] = [one for one in found if not one.over]
    assert own.reported == (again["light_id"],)
    assert own.verdict in ("single_light", "supply_fault")


def supplies(*rows: tuple[float, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["day", "circuit_id"])
    return frame.assign(
        happened=frame["day"] * DAY, light_id="", section_id="", named=False,
        cause="supply", action="reset",
    )  # fmt: skip


def test_supplies_back_together_are_no_faults_of_single_circuits() -> None:
    single = [(100.0 * i, f"C{i:02d}") for i in range(1, 9)]
    together = [(450.0 + 0.01 * i, f"C{i:02d}") for i in range(4)]
    found = source_faults(supplies(*single, *together))
    assert len(found) == len(single)
    assert len(source_faults(supplies(*single))) == len(single)


def test_in_a_large_city_several_a_day_are_no_area() -> None:
    rng = np.random.default_rng(3)
    many = [(float(day), f"C{i}") for i, day in enumerate(rng.uniform(0, 3650, 7300))]
    assert len(source_faults(supplies(*many))) > 0.95 * len(many)


EDGES = [  # east [m], hours after the area began, hours until several were told of
    (0.0, 0.0, 1.0),
    (300.0, 1.0, 1.0),
    (900.0, -0.3, 1.0),
    (1500.0, 2.0, 1.0),
    (2900.0, 2.0, 1.0),
    (310.0, 2.0, np.inf),
    (320.0, 30.0, 1.0),
]


def test_an_area_grows_by_circuits_beside_it_of_which_several_were_told_of() -> None:
    east, hours, more = np.array(EDGES).T
    order = np.argsort(hours, kind="stable")
    at = 100 + hours[order] / 24
    place = np.column_stack([east[order], np.zeros(len(order))])
    later = np.column_stack([at + more[order] / 24, np.full(len(at), np.inf)])
    starts = Starts(at, place, np.arange(len(at)), later)
    traffic = Traffic(starts, 0.0, 110.0, place, len(at))
    first = np.flatnonzero(np.isin(east[order], [0.0, 300.0]))
    found = _grown(_Found(first, 100.0, 0.1, 3.0), traffic, np.arange(len(at)))
    assert sorted(place[found.starts, 0]) == [0.0, 300.0, 900.0, 1500.0]
    assert found.since == pytest.approx(100 - 0.3 / 24)
