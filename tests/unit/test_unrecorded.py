"""Lights without a circuit on record, on the chain of lights of ``test_triage``."""

from __future__ import annotations

from pathlib import Path

import pytest

from lightwatch.decisions.triage import Outage, outages
from lightwatch.lives import lives
from tests.packages import take_in, write_package
from tests.unit.test_triage import AFTER, LIGHTS, MORE, TAIL, _csv, judged, told

C1 = [f"L{i}" for i in range(1, LIGHTS + 1)]


def test_lights_without_a_circuit_that_came_dark_together_share_a_fault(
    tmp_path: Path,
) -> None:
    [known] = judged(tmp_path / "a", reports=TAIL)
    [fault] = judged(tmp_path / "b", reports=TAIL, unknown=C1)
    assert fault.verdict == "supply_fault"
    assert 0.5 < fault.probability < known.probability + 0.02
    assert fault.circuit_id is None
    assert fault.inferred
    assert fault.sections == ()
    assert fault.reported == ("L10", "L6", "L8")
    assert {"L7", "L9"} <= set(fault.lights)
    assert any(one.startswith("no circuit is on record here") for one in fault.why)
    assert sum(fault.probabilities.values()) == pytest.approx(1.0)


def test_a_light_dark_alone_without_a_circuit_is_a_light_on_its_own(
    tmp_path: Path,
) -> None:
    [one] = judged(tmp_path, reports=told("2019-12-30T18:00,L6,out,"), unknown=C1)
    assert one.verdict == "single_light"
    assert one.probabilities["supply_fault"] < 0.3
    assert one.lights == ("L6",)
    assert one.inferred
    assert any("no circuit is on record" in why for why in one.why)


def test_lights_far_apart_without_a_circuit_share_no_fault(tmp_path: Path) -> None:
    reports = told(
        "2019-12-27T18:00,L1,out,",
        "2019-12-29T18:00,C3L6,out,",
        "2019-12-30T18:00,C3L29,out,",
    )
    unknown = [*C1, *(f"C3L{i}" for i in range(1, MORE + 1))]
    found = judged(tmp_path, reports=reports, unknown=unknown)
    assert [one.verdict for one in found] == ["single_light"] * 3


def test_lights_seen_lit_bound_a_fault_without_a_circuit(tmp_path: Path) -> None:
    patrols = _csv(
        "patrol_id,started_at,road_id,kind", ["N1,2019-12-30T21:00,RC1,night"]
    )
    sightings = _csv(
        "patrol_id,light_id,state,seen_at",
        [f"N1,L{i},out,2019-12-30T21:10" for i in (6, 7, 8, 9, 10)],
    )
    [fault] = judged(
        tmp_path, reports=TAIL, patrols=patrols, sightings=sightings, unknown=C1
    )
    assert set(fault.lights) == {"L6", "L7", "L8", "L9", "L10"}
    assert fault.test_first is not None
    assert fault.test_first.where == (
        "between pole PL5 (light L5) (seen lit) and pole PL6 (light L6) (reported out)"
    )


def test_lights_without_a_circuit_between_those_of_one_join_its_fault(
    tmp_path: Path,
) -> None:
    [fault] = judged(tmp_path, reports=TAIL, unknown=["L7", "L8"])
    assert fault.circuit_id == "C1"
    assert fault.verdict == "supply_fault"
    assert fault.reported == ("L10", "L6", "L8")
    assert {"L6", "L7", "L8", "L9", "L10"} <= set(fault.lights)
    assert any("no circuit on record; inferred from place" in why for why in fault.why)


def test_a_crew_that_blames_the_feed_counts_where_no_circuit_is_known(
    tmp_path: Path,
) -> None:
    found = {**AFTER, "light_id": "L6", "cause": "cable", "symptom_found": "out"}
    [one] = judged(
        tmp_path,
        reports=told("2019-12-30T18:00,L6,out,"),
        repairs=[found],
        unknown=C1,
    )
    assert one.verdict == "supply_fault"


def bare(folder: Path, reports: list[tuple[str, str]]) -> list[Outage]:
    """Judge a row of lights, and one that stands far away, with nothing else known."""
    lights = [
        {"light_id": f"L{i}", "longitude": 15 + 0.0005 * i, "latitude": 47.0}
        for i in range(100, 140)
    ] + [{"light_id": "A1", "longitude": 15.2, "latitude": 47.0}]
    table = [
        {"report_id": f"Q{i}", "received_at": at, "light_id": light, "symptom": "out"}
        for i, (at, light) in enumerate(reports)
    ]
    folder = write_package(
        folder,
        {"lights": lights, "reports": table},
        created="2024-10-01",
        opened_on="2020-01-01",
    )
    return outages(lives(take_in(folder).register))


def test_a_light_that_stands_alone_is_most_likely_on_its_own(tmp_path: Path) -> None:
    """Its fuse and photocontrol are its own, and of the way to it nothing is known."""
    [one] = bare(tmp_path / "bare", [("2024-09-25T20:00", "A1")])
    assert one.verdict == "single_light"
