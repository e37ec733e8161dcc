"""What has been open for long, told in one call, or answered by a mended feed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lightwatch.decisions.triage.evidence import night_edges, weigh
from lightwatch.decisions.triage.signs import _at_once
from lightwatch.decisions.triage.waits import LEAST, Waits
from tests.unit.test_supply_trees import NOTHING, _lights
from tests.unit.test_triage import LIGHTS, judged, told

C1 = [f"L{i}" for i in range(1, LIGHTS + 1)]


def test_long_open_trouble_is_rather_of_the_kind_that_waits_long() -> None:
    rng = np.random.default_rng(1)
    own, feed = (np.sort(rng.exponential(mean, 5000)) for mean in (6.0, 20.0))
    known = Waits(own, feed, LEAST)
    ratio = known.log_ratio(np.array([0.0, 5.0, 12.0, 20.0, np.nan]))
    assert ratio[0] == pytest.approx(0.0, abs=1e-9)
    assert (np.diff(ratio[:4]) < 0).all()
    assert ratio[4] == 0.0
    open_own = LEAST + (1 - LEAST) * np.exp(-12 / 6)
    open_feed = LEAST + (1 - LEAST) * np.exp(-12 / 20)
    assert ratio[2] == pytest.approx(np.log(open_own / open_feed), abs=0.1)


def test_what_nothing_ever_answers_says_little_of_its_kind() -> None:
    known = Waits(np.full(500, 6.0), np.full(500, 20.0), 0.2)
    months = known.log_ratio(np.array([300.0]))
    assert months == pytest.approx(0.0, abs=0.05)


def test_few_records_leave_the_usual_and_none_says_nothing() -> None:
    few = Waits(np.array([5.0]), np.zeros(0))
    week, month = few.log_ratio(np.array([7.0, 30.0]))
    assert month < week < 0
    none = Waits(np.zeros(0), np.zeros(0))
    assert none.log_ratio(np.array([7.0, 300.0])).tolist() == [0.0, 0.0]


def test_reports_of_one_call_are_near_in_place_and_time() -> None:
    place = np.array([[0.0, 0], [40, 0], [2000, 0], [80, 0], [120, 0]])
    age = np.array([5.0, 5.001, 5.0, 4.0, np.nan])
    assert _at_once(place, age).tolist() == [True, True, False, False, False]


def test_lights_named_in_one_call_are_rather_of_one_fault(tmp_path: Path) -> None:
    apart = told("2019-12-24T18:03,L6,out,", "2019-12-26T19:10,L8,out,",
                 "2019-12-28T20:17,L10,out,")  # fmt: skip
    at_once = told("2019-12-24T18:03,L6,out,", "2019-12-24T18:04,L8,out,",
                   "2019-12-24T18:05,L10,out,")  # fmt: skip
    found = [
        max(
            one.probabilities["supply_fault"]
            for one in judged(tmp_path / name, reports=rows)
        )
        for name, rows in (("a", apart), ("b", at_once))
    ]
    assert found[1] > found[0]


@pytest.mark.parametrize("unknown", [(), ("L8",)])
def test_the_mended_feed_answers_a_light_that_is_on_none(
    tmp_path: Path, unknown: tuple[str, ...]
) -> None:
    """L8 was told of with the others; nothing on record says what feeds it."""
    reports = told("2019-12-01T18:00,L6,out,", "2019-12-02T18:00,L8,out,")
    mended = [
        {"repair_id": "F1", "performed_at": "2019-12-10T10:00", "circuit_id": "C1",
         "section_id": "C1S4", "cause": "cable_fault", "action": "repaired",
         "component": "cable"}
    ]  # fmt: skip
    found = judged(tmp_path, reports=reports, repairs=mended, unknown=unknown)
    believed = [one for one in found if one.verdict != "no_fault"]
    assert believed == []


def shared(**given: object) -> np.ndarray:
    """Return what a light told of five nights ago says for a fault that is shared."""
    told = _lights(1, told=5.0, begun=6.0, **given)
    return weigh(told, NOTHING, night_edges()).shared[0]


def test_one_call_that_names_several_is_no_late_report() -> None:
    assert (shared(at_once=True) > shared()).any()
    assert (shared(at_once=True) >= shared()).all()


def test_a_long_wait_speaks_for_the_feed() -> None:
    assert shared(waited=-2.0).max() > shared().max() + 1.0
