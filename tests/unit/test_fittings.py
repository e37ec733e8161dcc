"""What repairs end and start, whose photocontrol it was, whom a section feeds."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from lightwatch.detection.touched import lights_touched
from lightwatch.lives.lives import COLUMNS, Lives
from lightwatch.nights import YEAR
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates.hazards import hazards_now
from lightwatch.register import Register
from lightwatch.register.fittings import _done, _ends_and_starts, _holders, _slots
from lightwatch.store import open_store
from tests.packages import take_in
from tests.small_city import small_city
from tests.towns import little_town

KINDS = {"LM": "led_module", "DR": "driver", "PC": "photocontrol"}


@pytest.mark.parametrize(
    ("work", "told"),
    [
        (("lamp", "removed", "", False), [("lamp", False, "")]),
        (("lamp", "replaced", "", False), [("lamp", True, "")]),
        (("photocontrol", "replaced", "PC", False), [("photocontrol", True, "PC")]),
        (
            ("driver", "replaced", "PC", False),
            [("driver", True, "PC"), ("photocontrol", True, "PC")],
        ),
    ],
)
def test_a_repair_ends_its_part_and_starts_what_it_names(work, told) -> None:
    assert _done(KINDS, *work) == told


def test_a_conversion_ends_what_shares_the_luminaire_and_starts_what_it_names() -> None:
    found = {kind: rest for kind, *rest in _done(KINDS, "", "converted", "LM+DR", True)}
    assert found["led_module"] == [True, "LM"]
    assert found["driver"] == [True, "DR"]
    assert found["lamp"] == [False, ""]
    assert "photocontrol" not in found


def test_repairs_of_one_sort_each_have_their_own_rows_in_their_order() -> None:
    repairs = pd.DataFrame(
        {
            "component": ["lamp", "driver", "lamp"],
            "cause": "",
            "action": ["replaced", "removed", "replaced"],
            "fitted_model": "",
        },
        index=[4, 7, 9],
    )
    found = _ends_and_starts(repairs, KINDS)
    assert found[["repair", "kind", "starts"]].to_numpy().tolist() == [
        [4, "lamp", True],
        [7, "driver", False],
        [9, "lamp", True],
    ]


def test_a_photocontrol_logged_at_a_light_without_one_is_its_groups() -> None:
    events = pd.DataFrame(
        {
            "light_id": ["", "L1", "L2", "L3"],
            "circuit_id": ["C1", "", "", ""],
            "kind": ["photocontrol", "photocontrol", "photocontrol", "lamp"],
            "repair": [-1, 5, -1, 6],
        }
    )
    lights = pd.DataFrame({"light_id": ["L1", "L2", "L3"], "circuit_id": "C1"})
    found = _holders(events, SimpleNamespace(lights=lights))
    assert found["light_id"].tolist() == ["", "", "L2", "L3"]
    assert found["circuit_id"].tolist() == ["C1", "C1", "", ""]


def test_work_on_a_section_touches_every_light_beyond_it() -> None:
    lights = pd.DataFrame(
        {
            "light_id": ["L1", "L2", "L3"],
            "circuit_id": "C1",
            "section_id": ["S1", "S2", "S3"],
        }
    )
    sections = pd.DataFrame(
        {"section_id": ["S1", "S2", "S3"], "upstream_section_id": ["", "S1", ""]}
    )
    register = SimpleNamespace(known=SimpleNamespace(lights=lights, sections=sections))
    repairs = pd.DataFrame(
        {
            "light_id": "",
            "circuit_id": "",
            "section_id": ["S1", "S2"],
            "named": False,
            "repair": [0, 1],
            "day": [1.0, 2.0],
            "part": "cable",
            "cause": "cable",
            "proven": "",
            "report_id": "",
        }
    )
    found = lights_touched(register, repairs)
    pairs = list(zip(found["light_id"], found["repair"], strict=True))
    assert pairs == [("L1", 0), ("L2", 0), ("L2", 1)]
    backwards = lights_touched(register, repairs.iloc[::-1])
    assert list(zip(backwards["light_id"], backwards["day"], strict=True)) == [
        ("L2", 1.0), ("L2", 2.0), ("L1", 1.0),
    ]  # fmt: skip


def test_fittings_of_one_kind_are_those_among_all(tmp_path) -> None:
    store = open_store(small_city(tmp_path))
    register = Register(Known(store, default_as_of(store)))
    every = register.fittings
    for kind in (*every["kind"].unique(), "wiring", "no such kind"):
        alone = register.fittings_of(kind)
        among = every[every["kind"] == kind].reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, among, check_dtype=len(among) > 0)


def test_work_before_a_light_came_into_service_starts_nothing(tmp_path) -> None:
    """L03 had its photocontrol replaced in September 2016; it entered afterwards."""
    later = little_town(tmp_path / "later", lights={4: {"in_service": "2017-01-01"}})
    found = take_in(later).register
    ours = found.fittings[found.fittings["light_id"] == "L03"]
    controls = ours[ours["kind"] == "photocontrol"]
    entered = found.known.clock.instant("2017-01-01")
    assert len(found.known.repairs.query("light_id == 'L03'"))
    assert (ours["start"] >= entered).all()
    assert (controls["start_repair"] < 0).all()


def test_of_several_parts_of_a_kind_the_one_whose_model_was_read_is_replaced() -> None:
    events = pd.DataFrame(
        {
            "light_id": "L1", "circuit_id": "", "kind": "lamp", "slot": 0,
            "at": [0.0, 0.0, 5.0, 7.0], "repair": [-1, -1, 0, 1],
            "model": ["A", "B", "C", "D"],
        }
    )  # fmt: skip
    repairs = pd.DataFrame({"removed_model": ["B", ""]})
    found = _slots(events, np.zeros(4, dtype=np.int64), repairs)
    assert found["slot"].tolist() == [0, 1, 1, 0]


def test_hazards_are_of_what_is_in_place_and_of_a_section_for_its_length() -> None:
    plain = dict.fromkeys(COLUMNS, "")
    frame = pd.DataFrame(
        {
            **plain, "section_id": ["S1", "S2", "S3"], "kind": "cable", "type": "duct",
            "installed": 0.0, "installed_last": 0.0, "start": 0.0,
            "end": [YEAR, 2.0 * YEAR, 2.0 * YEAR], "failed": [True, False, False],
            "weight": [1.0, 1.0, 3.0], "end_repair": -1,
        }
    )  # fmt: skip
    register = SimpleNamespace(as_of=2 * YEAR, watched_until=2 * YEAR)
    found = hazards_now(Lives(frame, register))
    assert found["section_id"].tolist() == ["S2", "S3"]
    one, three = found["per_year"]
    assert one == pytest.approx(1.5 / 9.0)
    assert three == pytest.approx(3 * one)
