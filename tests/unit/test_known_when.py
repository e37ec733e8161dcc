"""From when on each kind of record counts as known, one rule each."""

from __future__ import annotations

import pandas as pd
import pytest

from lightwatch.observations.known import Known, default_as_of
from tests.towns import CLOCK, little_town, new_store, take_in


@pytest.fixture
def known(tmp_path):
    """Say what is known of the little town as of a time."""
    store = new_store(tmp_path)

    def as_of(text: str, **changes) -> Known:
        if not store.loads():
            take_in(store, little_town(tmp_path / "town", **changes))
        return Known(store, CLOCK.instant(text))

    return as_of


def ids(frame, column: str) -> set[str]:
    return set(frame[column])


def test_a_report_counts_from_after_the_instant_of_its_receipt(known):
    assert "Q01" not in ids(known("2016-02-03T19:10").reports, "report_id")
    assert "Q01" in ids(known("2016-02-03T19:10:00.000001").reports, "report_id")


def test_a_repair_counts_by_when_it_was_recorded_not_by_when_it_was_performed(known):
    assert "W01" not in ids(known("2016-02-07T08:00").repairs, "repair_id")
    assert "W01" in ids(known("2016-02-07T08:01").repairs, "repair_id")


def test_a_repair_with_no_record_time_counts_by_when_it_was_performed(known):
    assert "W02" not in ids(known("2016-09-22T09:30").repairs, "repair_id")
    assert "W02" in ids(known("2016-09-22T09:31").repairs, "repair_id")


def test_a_correction_counts_by_its_own_record(known):
    before = ids(known("2019-01-15T08:00").repairs, "repair_id")
    after = ids(known("2019-01-15T08:01").repairs, "repair_id")
    assert {"W05", "W06"} & before == {"W05"}
    assert {"W05", "W06"} & after == {"W06"}


def test_a_closing_counts_from_after_its_instant(known):
    closed = {"closed_at": "2016-09-21T08:00", "closed_as": "repaired"}

    def as_of(text: str):
        return known(text, reports={3: closed}).reports.set_index("report_id")

    assert pd.isna(as_of("2016-09-21T08:00").loc["Q02", "closed"])
    after = as_of("2016-09-21T08:00:00.000001").loc["Q02"]
    assert after["closed"] == CLOCK.instant("2016-09-21T08:00")
    assert after["closed_as"] == "repaired"


def test_a_night_patrol_counts_with_all_its_sightings_from_noon(known):
    before, after = known("2019-11-15T11:59"), known("2019-11-15T12:00")
    assert "N4" not in ids(before.patrols, "patrol_id") | ids(
        before.sightings, "patrol_id"
    )
    assert (after.sightings["patrol_id"] == "N4").sum() == 2
    assert (after.patrols["patrol_id"] == "N4").sum() == 2


def test_a_night_patrol_on_a_clock_change_counts_from_noon_by_the_new_clock(known):
    assert "N2" not in ids(known("2018-03-25T11:59").sightings, "patrol_id")
    assert "N2" in ids(known("2018-03-25T12:00").sightings, "patrol_id")


def test_a_day_patrol_counts_from_midnight(known):
    assert "D3" not in ids(known("2018-06-12T23:59").sightings, "patrol_id")
    assert "D3" in ids(known("2018-06-13").sightings, "patrol_id")


def test_a_light_and_what_it_carries_come_with_its_first_day(known):
    before, after = known("2018-05-01"), known("2018-05-01T00:01")
    for frame in (before.lights, before.components):
        assert "L10" not in ids(frame, "light_id")
    for frame in (after.lights, after.components):
        assert "L10" in ids(frame, "light_id")


def test_a_repair_at_a_light_not_yet_in_service_waits_for_the_light(known):
    assert "W04" not in ids(known("2018-04-30").repairs, "repair_id")
    assert "W04" in ids(known("2018-05-02").repairs, "repair_id")


def test_a_removal_counts_from_after_the_midnight_that_begins_its_day(known):
    def removed(text: str) -> float:
        lights = known(text).lights.set_index("light_id")
        return float(lights.loc["L09", "removed"])

    assert removed("2019-06-01") != removed("2019-06-01")
    assert removed("2019-06-01T00:01") == CLOCK.instant("2019-06-02")


def test_the_default_time_is_that_of_the_export(known):
    assert default_as_of(known("2020-01-01").store) == CLOCK.instant("2020-01-01")


def test_the_default_time_is_a_second_after_anything_recorded_later(tmp_path):
    store = new_store(tmp_path)
    late = {"received_at": "2020-01-01T00:00:00+01:00"}
    take_in(store, little_town(tmp_path / "town", reports={2: late}))
    assert default_as_of(store) == CLOCK.instant("2020-01-01T00:00:01")


def test_the_default_time_is_not_moved_by_a_light_planned_for_later(tmp_path):
    store = new_store(tmp_path)
    planned = {2: {"in_service": "2021-01-01"}}
    take_in(store, little_town(tmp_path / "town", lights=planned))
    assert default_as_of(store) == CLOCK.instant("2020-01-01")
    assert len(Known(store, default_as_of(store)).lights) == 9
