"""A group control or the supply: told as one where only their rates tell them apart."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from lightwatch.decisions.areas import Area
from lightwatch.decisions.triage import Outage
from lightwatch.decisions.triage.outage import at_cabinet
from lightwatch.decisions.triage.spoken import (
    is_shared,
    others_said,
    source_is_likeliest,
    verdict_named,
    verdict_said,
    would_change,
)
from lightwatch.decisions.triage.together import shared_out
from lightwatch.mapview.card import card
from lightwatch.mapview.scene import counts
from lightwatch.mapview.tree import Circuit, dark_chances
from reports.outages import outages_document
from tests.unit.test_outages_said import NOW, fault, said
from tests.unit.test_triage import AFTER, judged, told

OTHERS = "It could also be"
DARK = told(*(f"2019-12-{26 + i % 5}T18:00,C2L{i},out," for i in (1, 4, 5, 8, 9, 10)))
SPLIT = {"supply_fault": 0.52, "group_photocontrol": 0.4, "single_light": 0.08}


def both() -> Outage:
    return fault(probabilities=SPLIT, supply=0.45, sections=())


@pytest.mark.parametrize(
    ("group", "supply", "elsewhere", "chance"),
    [
        (0.4, 0.45, 0.07, 0.85),
        (0.25, 0.2, 0.35, 0.45),
        (0.1, 0.2, 0.4, None),  # a section is likelier than both
        (0.05, 0.9, 0.0, None),  # almost certainly the supply
        (0.9, 0.05, 0.0, None),  # almost certainly the group control
        (0.0, 0.95, 0.0, None),  # no group control there
        (0.2, 0.2, 0.0, None),  # each light by itself is likelier
        (0.2, 0.26, 0.12, None),  # no likelier than not, one alone than either
        (0.2, 0.33, 0.02, 0.53),
    ],
)
def test_both_are_told_as_one_where_they_carry_most_and_neither_stands_out(
    group: float, supply: float, elsewhere: float, chance: float | None
) -> None:
    shares = {
        "supply_fault": supply + elsewhere,
        "group_photocontrol": group,
        "single_light": 1 - group - supply - elsewhere,
    }
    assert at_cabinet(shares, supply) == (chance and pytest.approx(chance))


def test_it_is_said_with_what_both_carry_and_what_is_left() -> None:
    told = both()
    assert verdict_said(told) == (
        "Probably the cabinet: group control or supply (85\xa0%)"
    )
    assert verdict_named(told) == "cabinet: group control or supply"
    assert verdict_named(fault()) == "fault on the feed"
    assert others_said(told) == [
        "a light on its own 8\xa0%",
        "fault elsewhere on the feed 7\xa0%",
    ]
    assert "behind the control" in would_change(told)
    assert "group control or supply (85 %), on circuit C1, underground." in said(told)


def test_each_of_two_may_be_less_likely_than_a_light_on_its_own() -> None:
    shares = {"supply_fault": 0.35, "group_photocontrol": 0.2, "single_light": 0.45}
    one = fault(probabilities=shares, supply=0.33, sections=())
    assert one.verdict == "single_light"
    assert one.shown == "supply_fault"
    assert is_shared(one)
    assert verdict_said(one) == (
        "Could be the cabinet: group control or supply (53\xa0%)"
    )
    assert others_said(one)[0] == "a light on its own 45\xa0%"
    assert "behind the control" in would_change(one)
    assert counts([one])["shared"] == 1


def test_the_document_keeps_the_likeliest_verdict_and_adds_the_cabinet() -> None:
    one, other = outages_document(NOW.isoformat(), [both(), fault()])["outages"]
    assert one["verdict"] == "supply_fault"
    assert one["probability"] == 0.52
    assert one["at_cabinet"] == pytest.approx(0.85)
    assert "at_cabinet" not in other
    json.dumps(one)


def test_the_card_of_the_map_says_it_too() -> None:
    shown: dict[str, Any] = card(both(), None, {}, NOW)
    assert "cabinet: group control or supply" in str(shown["title"])
    assert "fault elsewhere on the feed 7\xa0%" in dict(shown["facts"])[OTHERS]


def test_a_dark_circuit_with_a_group_control_is_tested_at_the_cabinet(
    tmp_path: Path,
) -> None:
    [one] = judged(tmp_path, reports=DARK)
    assert one.circuit_id == "C2"
    assert one.at_cabinet is not None
    assert one.at_cabinet > 0.7
    assert one.test_first is not None
    assert one.test_first.where == "T2"
    assert one.test_first.why.startswith("the group control first")
    assert "the supply or main fuse" in one.test_first.why
    assert one.test_first.why.endswith("log what is read behind it")


def test_without_sections_on_record_it_is_tested_there_as_well(tmp_path: Path) -> None:
    [one] = judged(tmp_path, reports=DARK, recorded=False)
    assert one.at_cabinet is not None
    assert one.test_first is not None
    assert one.test_first.where == "T2"
    assert one.test_first.why.startswith("the group control first")


def test_what_no_section_has_is_not_the_source_s_where_the_source_was_judged() -> None:
    shares = {"supply_fault": 0.9, "single_light": 0.1}
    one = fault(probabilities=shares, sections=(("S3", 0.4),))
    assert source_is_likeliest(one)
    assert not source_is_likeliest(replace(one, supply=0.1))
    assert source_is_likeliest(replace(one, supply=0.45))


def test_a_cabinet_that_cannot_be_opened_is_not_tested_first_again(
    tmp_path: Path,
) -> None:
    shut = {**AFTER, "performed_at": "2019-12-31T19:00", "circuit_id": "C2"}
    [one] = judged(
        tmp_path, reports=DARK, repairs=[{**shut, "action": "could_not_open"}]
    )
    assert one.at_cabinet is not None
    assert one.test_first is not None
    assert not one.test_first.why.startswith("the group control first")


def test_an_area_takes_its_share_of_the_cabinet_too() -> None:
    area = Area(("C1", "C2"), NOW, NOW, 2.0, 0.1, 0.01, 0.25, None)
    one = both()
    left = shared_out(
        replace(one, probabilities={**one.probabilities, "area_outage": 0.0}), area
    )
    assert left.supply == pytest.approx(0.75 * 0.45)
    assert left.at_cabinet == pytest.approx(0.75 * 0.85)


def test_the_map_draws_as_dark_what_hangs_behind_the_source_as_judged() -> None:
    circuit = Circuit("C1", upstream={"S1": "", "S2": "S1"})
    one = fault(
        probabilities={"supply_fault": 0.9, "single_light": 0.1},
        sections=(("S1", 0.2), ("S2", 0.1)),
    )
    assert dark_chances(replace(one, supply=0.3), circuit) == pytest.approx(
        {"S1": 0.5, "S2": 0.6}
    )
    assert dark_chances(one, circuit) == pytest.approx({"S1": 0.8, "S2": 0.9})


def test_a_live_source_clears_both(tmp_path: Path) -> None:
    read = {**AFTER, "performed_at": "2019-12-31T19:00", "circuit_id": "C2"}
    live = {**read, "action": "tested_live"}
    [one] = judged(tmp_path, reports=DARK, repairs=[live])
    assert one.at_cabinet is None


def test_a_circuit_whose_lights_have_their_own_controls_is_told_as_before(
    tmp_path: Path,
) -> None:
    lights = told(*(f"2019-12-{26 + i % 5}T18:00,L{i},out," for i in (1, 4, 5, 8, 9)))
    [one] = judged(tmp_path, reports=lights)
    assert one.at_cabinet is None
    assert one.verdict == "supply_fault"
