"""Open troubles judged on a chain of lights that is small enough to reason about."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.areas import Area
from lightwatch.decisions.triage import Outage, Triage, triaged
from lightwatch.decisions.triage.calibration import (
    Calibration,
    ClosedJobs,
    calibration,
)
from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.judge import judge
from lightwatch.decisions.triage.together import with_areas
from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from tests.towns import little_town, new_store, take_in

LIGHTS = 10
MORE = 30
"""Lights on other circuits, so that rates are not of ten lights only."""


def _csv(head: str, rows: list[str]) -> str:
    return "\n".join([head, *rows]) + "\n"


def _table(*rows: dict[str, Any]) -> str:
    """Write rows that need not have the same columns."""
    frame = pd.DataFrame(rows, dtype=object).fillna("")
    return frame.to_csv(index=False, lineterminator="\n")


def _history() -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return reports of dark lights of C3 and the parts that were changed for them."""
    reports, repairs = [], []
    for i in range(1, 25):
        light, month = f"C3L{i}", 1 + i % 12
        day = f"201{7 + i % 3}-{month:02d}"
        cause = "driver" if i % 2 else "photocontrol"
        reports.append(
            {"report_id": f"H{i}", "received_at": f"{day}-03T20:00",
             "light_id": light, "symptom": "out", "danger": ""}
        )  # fmt: skip
        if i % 3:  # someone else calls too, before the crew comes
            again = {"report_id": f"G{i}", "received_at": f"{day}-07T21:00"}
            reports.append({**reports[-1], **again})
        repairs.append(
            {"repair_id": f"V{i}", "performed_at": f"{day}-10T10:00",
             "report_id": f"H{i}", "light_id": light, "cause": cause,
             "action": "replaced", "component": cause, "proven": "seen_lit"}
        )  # fmt: skip
    return reports, repairs


def chain(
    folder: Path,
    *,
    recorded: bool = True,
    unknown: Sequence[str] = (),
    undrawn: Sequence[str] = (),
    repairs: Any = (),
    lights_before: int = 0,
    **files: Any,
) -> Path:
    """Write a town whose circuit C1 feeds L1 ... L10 one after the other."""
    wired: list[str] = []
    fitted: list[str] = []
    lights = [
        f"C0L{i},PC0L{i},{15.64 + 0.0004 * i:.4f},47.33,RC0,,,led"
        for i in range(lights_before)
    ]
    for circuit, count in (("C1", LIGHTS), ("C2", LIGHTS), ("C3", MORE)):
        before = ""
        for i in range(1, count + 1):
            name = f"{circuit}L{i}" if circuit != "C1" else f"L{i}"
            section = f"{circuit}S{i}"
            south = {"C1": 0.0, "C2": 0.002, "C3": 0.004}[circuit]
            drawn = recorded and name not in undrawn
            held = section if drawn and name not in unknown else ""
            on = "" if name in unknown else circuit
            lights.append(
                f"{name},P{name},{15.64 + 0.0004 * i:.4f},{47.32 - south:.4f},"
                f"R{circuit},{on},{held},led"
            )
            if drawn:
                wired.append(f"{section},{circuit},{before},underground_direct,35,2000")
            fitted.append(f"{name},,driver,DR-40,2014-05")
            if circuit != "C2":
                fitted.append(f"{name},,photocontrol,PC-A,2014-05")
            before = section
    fitted.append(",C2,photocontrol,PC-A,2014-05")
    reported, mended = _history()
    tables = {
        "lights": _csv(
            "light_id,pole_id,longitude,latitude,road_id,circuit_id,section_id,"
            "technology",
            lights,
        ),
        "sections": _csv(
            "section_id,circuit_id,upstream_section_id,kind,length_m,installed_on",
            wired,
        ),
        "circuits": _csv(
            "circuit_id,feed,voltage,control,source",
            [
                "C1,underground,230,own,T1",
                "C2,underground,230,group,T2",
                "C3,underground,230,own,T3",
            ],
        ),
        "components": _csv("light_id,circuit_id,kind,model,installed_on", fitted),
        "repairs": _table(*mended, *repairs),
        "patrols": "patrol_id,started_at,road_id,kind\n",
        "sightings": "patrol_id,light_id,state,seen_at\n",
        "roads": None,
    }
    files["reports"] = _table(*reported, *files.pop("reports", ()))
    return little_town(folder, **{**tables, **files})


Rows = list[dict[str, Any]]


def told(*rows: str) -> Rows:
    columns = ("received_at", "light_id", "symptom", "danger")
    return [
        {"report_id": f"Q{i}", **dict(zip(columns, row.split(","), strict=True))}
        for i, row in enumerate(rows)
    ]


def judged(folder: Path, **files: Any) -> list[Outage]:
    return triaged(_triage(folder, **files))


def _triage(folder: Path, **files: Any) -> Triage:
    folder.mkdir(exist_ok=True)
    store = new_store(folder)
    take_in(store, chain(folder / "town", **files))
    return Triage.of(lives(Register(Known(store, default_as_of(store)))))


TAIL = told(
    "2019-12-29T18:00,L6,out,",
    "2019-12-30T18:00,L8,out,",
    "2019-12-30T19:00,L10,out,",
)


AFTER = {
    "repair_id": "W1",
    "performed_at": "2019-12-31T09:00",
    "action": "follow_up",
}


def test_three_lights_in_a_row_are_the_feed_and_the_silent_ones_between_are_dark(
    tmp_path: Path,
) -> None:
    [fault] = judged(tmp_path, reports=TAIL)
    assert fault.verdict == "supply_fault"
    assert fault.probability > 0.9
    assert fault.reported == ("L10", "L6", "L8")
    assert {"L6", "L7", "L8", "L9", "L10"} <= set(fault.lights)
    assert fault.underground is True
    assert sum(fault.probabilities.values()) == pytest.approx(1.0)


def test_lights_seen_lit_by_a_patrol_bound_the_fault(tmp_path: Path) -> None:
    patrols = _csv(
        "patrol_id,started_at,road_id,kind", ["N1,2019-12-30T21:00,RC1,night"]
    )
    sightings = _csv(
        "patrol_id,light_id,state,seen_at",
        [f"N1,L{i},out,2019-12-30T21:10" for i in (6, 7, 8, 9, 10)],
    )
    [fault] = judged(tmp_path, reports=TAIL, patrols=patrols, sightings=sightings)
    assert fault.sections[0][0] == "C1S6"
    assert fault.sections[0][1] > 0.9
    assert set(fault.lights) == {"L6", "L7", "L8", "L9", "L10"}
    assert set(fault.seen_lit) == {"L1", "L2", "L3", "L4", "L5"}


def test_one_report_alone_is_one_light(tmp_path: Path) -> None:
    [one] = judged(tmp_path, reports=told("2019-12-30T18:00,L6,out,"))
    assert one.verdict in ("single_light", "no_fault")
    assert one.lights == ("L6",)


@pytest.mark.parametrize(("volts", "upstream"), [(0, True), (228, False)])
def test_a_reading_at_the_far_end_moves_the_fault(
    tmp_path: Path, volts: int, upstream: bool
) -> None:
    repairs = [{**AFTER, "light_id": "L3", "volts": volts}]
    [before] = judged(tmp_path / "a", reports=TAIL)
    [after] = judged(tmp_path / "b", reports=TAIL, repairs=repairs)

    def near(fault: Outage) -> float:
        at = dict(fault.sections)
        source = fault.probability - sum(at.values())
        return max(source, 0.0) + sum(at.get(f"C1S{i}", 0.0) for i in (1, 2, 3))

    assert 0.05 < near(before) < 0.95
    assert (near(after) > near(before)) is upstream


def test_a_reading_at_the_source_settles_the_supply(tmp_path: Path) -> None:
    reports = told(*(f"2019-12-30T18:0{i},L{i},out," for i in range(1, 8)))
    one, other = (
        _triage(
            tmp_path / str(volts),
            reports=reports,
            repairs=[{**AFTER, "circuit_id": "C1", "volts": volts}],
        ).judged(DARKNESS)[0]
        for volts in (0, 230)
    )
    assert one.supply > 0.9
    assert other.supply < one.supply / 4


def test_a_reading_counts_no_more_once_the_feed_was_mended(tmp_path: Path) -> None:
    reading = {**AFTER, "circuit_id": "C1", "section_id": "C1S5", "volts": 0}
    mended = {
        **{**AFTER, "repair_id": "W2", "performed_at": "2019-12-31T15:00"},
        **{"circuit_id": "C1", "section_id": "C1S5", "cause": "cable_fault"},
        "action": "repaired",
    }
    after = [told("2019-12-31T22:00,L4,out,")[0] | {"report_id": "Q9"}]
    [read] = _triage(tmp_path / "a", reports=[*TAIL, *after], repairs=[reading]).judged(
        DARKNESS
    )
    [done] = _triage(
        tmp_path / "b", reports=[*TAIL, *after], repairs=[reading, mended]
    ).judged(DARKNESS)
    assert read.shared > 0.9
    assert done.shared < 0.5


def test_what_a_crew_found_and_left_is_believed(tmp_path: Path) -> None:
    found = {"circuit_id": "C1", "section_id": "C1S4", "cause": "cable_fault"}
    repairs = [{**AFTER, **found, "follow_up": "dig"}]
    [fault] = judged(tmp_path, reports=TAIL, repairs=repairs)
    assert fault.sections[0][0] == "C1S4"
    assert fault.sections[0][1] > 0.9


def test_a_repair_of_the_feed_answers_its_lights(tmp_path: Path) -> None:
    found = {"circuit_id": "C1", "section_id": "C1S6", "cause": "cable_fault"}
    repairs = [{**AFTER, **found, "action": "repaired"}]
    assert judged(tmp_path, reports=TAIL, repairs=repairs) == []


def test_without_sections_the_order_is_inferred_and_no_section_is_named(
    tmp_path: Path,
) -> None:
    [fault] = judged(tmp_path, reports=TAIL, recorded=False)
    assert fault.verdict == "supply_fault"
    assert fault.inferred
    assert fault.sections == ()
    assert any("order inferred from the map" in why for why in fault.why)


UNDRAWN = ("L7", "L8", "L9", "L10")


def test_sections_on_record_are_named_though_others_of_the_circuit_are_not_drawn(
    tmp_path: Path,
) -> None:
    reports = told(*(f"2019-12-{27 + i % 4}T18:00,L{i},out," for i in (4, 5, 6, 9)))
    [fault] = judged(tmp_path, reports=reports, undrawn=UNDRAWN)
    assert fault.verdict == "supply_fault"
    assert not fault.inferred
    assert "C1S4" in [name for name, _ in fault.sections[:3]]
    assert {"L7", "L8", "L10"} <= set(fault.lights)
    assert not any("order inferred" in why for why in fault.why)


def test_a_fault_beyond_what_is_drawn_is_one_fault_and_names_no_section(
    tmp_path: Path,
) -> None:
    reports = told(*(f"2019-12-{27 + i % 4}T18:00,L{i},out," for i in (8, 9, 10)))
    [fault] = judged(tmp_path, reports=reports, undrawn=UNDRAWN)
    assert fault.verdict == "supply_fault"
    assert fault.probability > 0.8
    assert fault.inferred is True
    assert set(fault.lights) <= set(UNDRAWN)
    assert any("order inferred from the map" in why for why in fault.why)
    assert fault.test_first is not None
    assert fault.test_first.light_id in UNDRAWN


def test_a_fault_beyond_what_is_drawn_is_said_so_beside_lights_on_no_circuit(
    tmp_path: Path,
) -> None:
    reports = told(*(f"2019-12-{27 + i % 4}T18:00,L{i},out," for i in (8, 9, 10)))
    found = judged(tmp_path, reports=reports, undrawn=UNDRAWN, unknown=("L10",))
    [fault] = [one for one in found if "L9" in one.lights]
    assert fault.verdict == "supply_fault"
    assert fault.inferred is True


def test_a_whole_group_burning_by_day_is_its_photocontrol(tmp_path: Path) -> None:
    reports = told(*(f"2019-12-{20 + i}T12:00,C2L{i},dayburning," for i in range(1, 7)))
    [group] = judged(tmp_path, reports=reports)
    assert group.verdict == "group_photocontrol"
    assert group.probability > 0.9


def test_danger_outranks_every_probability(tmp_path: Path) -> None:
    shock = told("2019-12-31T10:00,C3L5,other,shock")[0] | {"report_id": "Q9"}
    first, second = judged(tmp_path, reports=[*TAIL, shock])
    assert first.danger == ("shock",)
    assert second.verdict == "supply_fault"


def test_two_branches_dark_for_reasons_of_their_own_are_two_entries(
    tmp_path: Path,
) -> None:
    sections = _csv(
        "section_id,circuit_id,upstream_section_id,kind,length_m,installed_on",
        [
            f"C1S{i},C1,{above},underground_direct,35,2000"
            for i, above in enumerate(
                ["", "C1S1", "C1S2", "C1S3", "C1S1", "C1S5", "C1S6", "C1S1", "C1S8",
                 "C1S9"], 1,
            )
        ],
    )  # fmt: skip
    patrols = _csv(
        "patrol_id,started_at,road_id,kind",
        ["N1,2019-12-29T21:00,RC1,night", "N2,2019-12-30T21:00,RC1,night"],
    )
    sightings = _csv(
        "patrol_id,light_id,state,seen_at",
        [
            f"N{night - 28},L{i},out,2019-12-{night}T21:10"
            for night in (29, 30)
            for i in (3, 4, 6, 7)
        ],
    )
    found = judged(tmp_path, sections=sections, patrols=patrols, sightings=sightings)
    assert sorted(one.lights for one in found) == [("L3", "L4"), ("L6", "L7")]


def _area(probability: float, *circuits: str) -> Area:
    now = datetime(2019, 12, 31, tzinfo=UTC)
    return Area(circuits, now, now, 9, 0.4, 1e-6, probability, 95.0)


@pytest.fixture
def three(tmp_path: Path) -> list[Outage]:
    reports = told(*(f"2019-12-{24 + 2 * i}T18:00,{name},out," for i, name in enumerate(
        ("L6", "L8", "C2L4", "C3L9"))))  # fmt: skip
    return judged(tmp_path, reports=reports)


def test_an_area_is_told_as_one_outage(three: list[Outage]) -> None:
    found = with_areas(three, [_area(0.9, "C1", "C2")])
    [area] = [one for one in found if one.verdict == "area_outage"]
    assert area.circuit_id is None
    assert set(area.reported) == {"L6", "L8", "C2L4"}
    assert area.probability == pytest.approx(0.9)
    assert sum(area.probabilities.values()) == pytest.approx(1.0)
    [rest] = [one for one in found if one is not area]
    assert rest.circuit_id == "C3"
    assert "95 km/h" in area.why[0]


def test_an_unlikely_area_takes_its_share_and_no_more(three: list[Outage]) -> None:
    found = with_areas(three, [_area(0.2, "C1")])
    assert len(found) == len(three)
    for before, after in zip(three, found, strict=True):
        share = 0.2 if after.circuit_id == "C1" else 0.0
        assert after.probabilities["area_outage"] == pytest.approx(share)
        for name in ("supply_fault", "single_light"):
            assert after.probabilities[name] == pytest.approx(
                before.probabilities[name] * (1 - share)
            )


def _jobs(true: float, said: float, count: int = 400) -> ClosedJobs:
    rng = np.random.default_rng(5)
    chance = np.where(np.arange(count) % 2, said, 0.1)
    came = rng.random(count) < np.where(np.arange(count) % 2, true, 0.1)
    return ClosedJobs(chance, came)


def test_rates_serve_a_network_of_another_size(tmp_path: Path) -> None:
    """Closed jobs are judged with the rates of now on the networks of then."""
    now = _triage(tmp_path / "a", reports=TAIL)
    [before] = now.judged(DARKNESS)
    files = {"reports": TAIL, "lights_before": 7}
    other = _triage(tmp_path / "b", **files)
    [alone] = judge(other.signs, now.known, ["C1"])
    assert alone.dark == pytest.approx(before.dark, abs=1e-9)
    [again] = judge(now.signs, now.known, ["C1"])
    assert again.dark == pytest.approx(before.dark, abs=1e-12)


def test_too_bold_verdicts_are_corrected_by_closed_jobs() -> None:
    jobs = _jobs(true=0.6, said=0.95)
    meant = calibration(jobs)
    assert meant(0.95) == pytest.approx(0.6, abs=0.08)
    assert jobs.error > 0.1


def test_right_verdicts_are_left_as_said() -> None:
    assert calibration(_jobs(true=0.9, said=0.9))(0.9) == pytest.approx(0.9, abs=0.05)


def test_few_closed_jobs_correct_nothing() -> None:
    meant = calibration(_jobs(true=0.2, said=0.95, count=150))
    assert meant(0.95) == 0.95
    assert "too few" in meant.reason


def test_corrected_probabilities_of_a_circuit_stay_together(tmp_path: Path) -> None:
    [one] = _triage(tmp_path, reports=TAIL).judged(DARKNESS)
    said = np.array([0.0, one.shared, 1.0])
    meant = Calibration(said, np.array([0.0, 0.6, 0.7]), "a test")
    after = meant.applied(one)
    assert after.shared == pytest.approx(0.6)
    assert (after.dark <= one.dark).all()
    assert ((after.dark + after.own) <= 1 + 1e-9).all()
    ratio = after.sections["C1S6"] / one.sections["C1S6"]
    assert ratio == pytest.approx(0.6 / one.shared)
