"""Readings at poles: weighed exactly, listed, not asked twice, ending in a section."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lightwatch.decisions.triage import Outage
from lightwatch.decisions.triage.judge import log_reading
from lightwatch.decisions.triage.next_test import SOURCE, WRONG_READING
from lightwatch.decisions.triage.proving import READS, Proving
from lightwatch.decisions.triage.spoken import next_said, would_change
from lightwatch.decisions.triage.tested import OLD_NIGHTS, Reading
from lightwatch.decisions.triage.tree import Forest, faults
from tests.unit.test_supply_trees import enumerated
from tests.unit.test_triage import TAIL, judged, told


def test_readings_weigh_as_every_set_of_faults_enumerated() -> None:
    """A reading errs with one chance, whatever is dead; onsets fall evenly in a bin."""
    rng = np.random.default_rng(5)
    edges = np.array([9.0, 4.0, 2.0, 0.0])
    nights = -np.diff(edges)
    parent = np.array([-1, 0, 1, 1, 3])
    per_night = rng.uniform(0, 0.05, 5)
    seen = np.zeros((5, 4))
    by_hand = np.zeros((5, 4))
    for node, dead, age in ((1, False, 0.5), (3, True, 0.25), (4, True, 3.0)):
        seen[node] += log_reading(dead, age, edges)
        for k in range(4):
            dark = 0.0
            if k < 3:
                older, newer = edges[k], edges[k + 1]
                dark = max(older - max(newer, age), 0.0) / (older - newer)
            right = dark if dead else 1 - dark
            chance = right * (1 - WRONG_READING) + (1 - right) * WRONG_READING
            by_hand[node, k] += np.log(chance)
    found = faults(Forest(parent), seen, per_night, nights)
    total, onset, state = enumerated(parent, by_hand, per_night, nights)
    assert found.log_evidence[0] == pytest.approx(total, abs=1e-12)
    np.testing.assert_allclose(found.onset, onset, atol=1e-12)
    np.testing.assert_allclose(found.state, state, atol=1e-12)


WAYS = {f"S{i}": tuple(f"S{j}" for j in range(i, 0, -1)) for i in range(1, 9)}
EVEN = dict.fromkeys(WAYS, 0.125)


def read(place: str, live: bool | None, age: float = 0.1) -> Reading:
    return Reading(place, "", 0, age, live, None, "")


def proving(*readings: Reading, **chances: float) -> Proving:
    return Proving(chances or EVEN, WAYS, readings, tuple(WAYS))


def test_a_place_that_was_read_is_not_asked_again_unless_that_is_old() -> None:
    first = proving().check
    assert first
    assert first.place == "S4"
    beyond = {"S5": 0.25, "S6": 0.25, "S7": 0.25, "S8": 0.25}
    assert proving(read("S4", True), **beyond).settled == {"S4"}
    assert proving(read("S4", True, OLD_NIGHTS + 1), **beyond).settled == set()


def test_a_place_that_could_not_be_opened_leads_to_the_next_best() -> None:
    asked = []
    readings: list[Reading] = []
    for _ in range(3):
        check = proving(*readings).check
        assert check
        asked.append(check.place)
        readings.append(read(check.place, None))
    assert asked[0] == "S4"
    assert set(asked[1:]) == {"S3", "S5"}
    assert not proving(*readings).to_open


def test_the_next_end_out_is_asked_where_that_of_the_candidate_cannot_be_opened() -> (
    None
):
    """Between S2 and S6 nothing can be at fault: the end of any says the same."""
    check = proving(read("S2", None), S2=0.5, S6=0.5).check
    assert check
    assert check.place in ("S3", "S4", "S5")
    assert check.dead == pytest.approx(0.5)


def test_a_reading_that_all_else_speaks_against_is_asked_again_but_not_for_ever() -> (
    None
):
    believed = {"S4": 0.97, "S3": 0.03}
    for times in range(1, READS):
        again = proving(*[read("S4", True)] * times, **believed)
        assert again.contradicted == "S4"
        assert again.to_open is None
    ended = proving(*[read("S4", True)] * READS, **believed)
    assert ended.contradicted is None
    assert ended.to_open == "S4"


def test_nothing_is_opened_before_something_was_read() -> None:
    sure = {"S4": 0.99, "S3": 0.01}
    assert proving(**sure).to_open is None
    assert proving(read("S3", True), **sure).to_open == "S4"


def test_a_section_read_live_before_it_and_dead_beyond_it_is_opened_at_less() -> None:
    between = read("S3", True), read("S4", False)
    assert proving(*between, S4=0.92, S3=0.04, S5=0.04).to_open == "S4"
    assert proving(read("S5", False), S4=0.92, S3=0.04, S5=0.04).to_open is None


def test_a_reading_at_the_source_brackets_the_first_section() -> None:
    both = read(SOURCE, True), read("S1", False)
    assert proving(*both, S1=0.93, S2=0.07).to_open == "S1"


def at(number: int, hour: int, **values: Any) -> dict[str, Any]:
    return {
        "repair_id": f"T{number}{hour}",
        "performed_at": f"2019-12-31T{hour:02d}:00",
        "light_id": f"L{number}",
        **values,
    }


LIVE, DEAD, SHUT = (
    {"action": action} for action in ("tested_live", "tested_dead", "could_not_open")
)


def asked(fault: Outage) -> str:
    assert fault.test_first
    return fault.test_first.section_id or SOURCE


def test_live_before_and_dead_after_is_the_section_to_open(tmp_path: Path) -> None:
    repairs = [at(4, 9, **LIVE, crew="Crew A"), at(5, 10, action="follow_up", volts=0)]
    [fault] = judged(tmp_path, reports=TAIL, repairs=repairs)
    assert fault.sections[0][0] == fault.to_open == "C1S5"
    assert fault.sections[0][1] > 0.9
    assert next_said(fault).startswith("Open section C1S5: ")
    assert "prove it dead" in next_said(fault)
    assert fault.checks_needed == 0
    [line] = [one for one in fault.why if one.startswith("tested: ")]
    assert line == (
        "tested: pole PL4 (light L4) live, 31 Dec 2019 09:00, Crew A; "
        "pole PL5 (light L5) dead (0 V), 31 Dec 2019 10:00"
    )


def test_dead_and_could_not_open_ask_another_place(tmp_path: Path) -> None:
    source = {**at(0, 8, **LIVE), "light_id": "", "circuit_id": "C1"}
    [before] = judged(tmp_path / "a", reports=TAIL, repairs=[source])
    first = asked(before)
    number = int(first.removeprefix("C1S"))
    for name, found in (("b", DEAD), ("c", SHUT), ("d", LIVE)):
        repairs = [source, at(number, 9, **found)]
        [after] = judged(tmp_path / name, reports=TAIL, repairs=repairs)
        assert asked(after) != first
        if found is SHUT:
            assert any("could not be opened" in one for one in after.why)
            assert dict(after.sections) == pytest.approx(dict(before.sections))


def test_a_live_end_of_a_section_that_all_else_names_is_asked_again(
    tmp_path: Path,
) -> None:
    """Were it live, a report at the pole itself and on both sides would be chance."""
    reports = told(*(f"2019-12-30T18:0{i},L{i},out," for i in range(4, 10)))
    patrols = "patrol_id,started_at,road_id,kind\nN1,2019-12-30T21:00,RC1,night\n"
    noted = [f"N1,L{i},out,2019-12-30T21:10" for i in range(4, 11)]
    sightings = "\n".join(["patrol_id,light_id,state,seen_at", *noted]) + "\n"
    files = {"reports": reports, "patrols": patrols, "sightings": sightings}
    [before] = judged(tmp_path / "a", **files)
    assert before.sections[0][0] == "C1S4"
    entries = judged(tmp_path / "b", **files, repairs=[at(4, 9, **LIVE)])
    after = max(entries, key=lambda one: len(one.lights))
    if after.sections[0][0] == "C1S4":
        assert asked(after) == "C1S4"
        assert any(one.startswith("against it: what was read") for one in after.why)
        assert after.to_open is None
    else:
        assert after.sections[0][1] > 0.5
    promised = before.live_readings == 1
    assert ("a live far end" in would_change(before)) is (before.live_readings <= 2)
    assert (after.sections[0][0] != "C1S4") is promised


def test_a_fault_with_readings_on_it_is_one_entry(tmp_path: Path) -> None:
    for number in (6, 7):
        for name, found in (("l", LIVE), ("d", DEAD)):
            entries = judged(
                tmp_path / f"{name}{number}",
                reports=TAIL,
                repairs=[at(number, 9, **found)],
            )
            shared = [one for one in entries if one.verdict == "supply_fault"]
            assert len(shared) <= 1
