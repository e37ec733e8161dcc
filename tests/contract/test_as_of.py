"""A run as of a past day gives what a run on that day would have given.

The package is cut off at a time, as an export of that day would have been, and taken
into an empty store. What that store answers must be, to the letter, what the whole
store answers as of that time.
"""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from lightwatch.cli import app
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.store import Store, open_store
from tests.contract.answers import answers
from tests.towns import CLOCK, NOW, TABLES, lines_in, little_town, take_in
from tests.truncate import truncate

EXAMPLES = int(os.environ.get("LIGHTWATCH_EXAMPLES", "3"))
"""How many drawn times the shared town is cut off at."""


def of_that_day(source: Path, target: Path, at: datetime) -> Store:
    """Take in what an export at a time would have held."""
    package = Package.open(truncate(source, target / "package", at))
    store = open_store(f"sqlite:///{target}/store.db", create=True)
    load(store, package, now=NOW, said_by="a test")
    return store


def assert_same(whole: Store, source: Path, target: Path, at: datetime) -> None:
    store = of_that_day(source, target, at)
    as_of = default_as_of(store)
    assert as_of == CLOCK.instant(at.isoformat())
    assert answers(store, as_of) == answers(whole, as_of)
    store.engine.dispose()


# The shared town ----------------------------------------------------------------


@pytest.mark.slow
@settings(derandomize=True, max_examples=EXAMPLES, deadline=None, database=None)
@given(minute=st.integers(0, 9 * 365 * 24 * 60))
def test_the_town_cut_off_at_any_minute_answers_as_the_whole_did(
    town, tmp_path_factory, minute
):
    start = CLOCK.instant("2016-06-01")
    at = CLOCK.at(start + minute * 60_000_000)
    assert_same(town.store, town.folder, tmp_path_factory.mktemp("cut"), at)


def first_in_service(town) -> str:
    days = [row["in_service"] for row in town.store.rows("lights")]
    return min(day for day in days if day and day > "2016-02-01")


@pytest.mark.slow
@pytest.mark.parametrize("what", ["a day on which a light enters", "a changed clock"])
def test_the_commands_print_the_same_text_of_the_town_cut_off_as_of_the_whole(
    town, tmp_path, what
):
    text = "2019-03-31T02:30" if what == "a changed clock" else first_in_service(town)
    at = CLOCK.instant(text)
    of_that_day(town.folder, tmp_path, CLOCK.at(at))
    for words in (["rates", "--by", "kind,technology,age"], ["lives"], ["outages"]):
        cut = ["--json", "--db", f"sqlite:///{tmp_path}/store.db"]
        whole = ["--json", "--db", town.address, "--as-of", text]
        one, other = (CliRunner().invoke(app, [*words, *end]) for end in (cut, whole))
        assert one.exit_code == other.exit_code == 0
        assert one.stdout == other.stdout
        assert f'"as_of": "{CLOCK.written(at)}"' in one.stdout


# The little town ----------------------------------------------------------------

_FURTHER = lines_in("repairs")

CASES = {
    "as it is": {},
    "a light's report and repair come before the light": {
        "reports": {11: {"received_at": "2018-03-01T10:00"}},
        "repairs": {5: {"performed_at": "2018-03-02T09:00", "recorded_at": ""}},
    },
    "a repair is recorded before the report that it names": {
        "repairs": {5: {"report_id": "Q10", "light_id": "L09"}},
    },
    "a correction names a light that is not yet there": {
        "repairs": {5: {"supersedes": "W02", "recorded_at": "2018-04-24T10:00"}},
    },
    "a repair is corrected twice over": {
        "repairs": {
            _FURTHER: {
                "repair_id": "W10",
                "performed_at": "2018-10-30T14:00",
                "recorded_at": "2019-05-01T10:00",
                "light_id": "L02",
                "cause": "photocontrol",
                "component": "photocontrol",
                "action": "replaced",
                "fitted_model": "PC-T",
                "supersedes": "W06",
            }
        },
    },
    "a patrol's roads have starts on several nights": {
        "patrols": {3: {"started_at": "2016-12-08T21:00"}},
    },
    "a sighting is written down when the night is long over": {
        "sightings": {2: {"seen_at": "2016-12-08T10:00"}},
        "patrols": {4: {"kind": "day"}},
    },
    "a light enters and is removed": {
        "lights": {10: {"in_service": "2019-02-01"}, 5: {"removed_on": "2018-10-28"}},
    },
    "reports are closed, and told before": {
        "reports": {
            3: {"closed_at": "2016-12-01T10:00", "closed_as": "nothing_found"},
            5: {"light_id": "", "duplicate_of": "Q03"},
            9: {"closed_at": "2019-11-14T09:00", "duplicate_of": "Q07"},
            12: {"closed_at": "2019-12-29T08:00", "closed_as": "withdrawn"},
        },
    },
    "repairs say no more than which report they answer": {
        "repairs": {
            4: {"circuit_id": ""},
            5: {"light_id": ""},
            7: {"light_id": "", "circuit_id": ""},
        },
    },
    "there are no reports, and no weather": {
        name: TABLES[name].splitlines()[0] + "\n" for name in ("reports", "weather")
    },
}
"""What is spoilt, and how."""


def turning_points(store: Store) -> list[int]:
    """Instants at which what is known changes, and the ones just after."""
    found = set()
    for name in ("lights", "reports", "repairs", "patrols", "sightings", "weather"):
        for row in store.rows(name):
            found |= {row["happened"], row["recorded"]}
            if row.get("removed_on"):
                found.add(CLOCK.instant(row["removed_on"]))
            if row.get("closed_at"):
                found.add(CLOCK.instant(row["closed_at"]))
    first, last = CLOCK.instant("2016-01-02"), CLOCK.instant("2020-01-01")
    near = {at + late for at in found if at is not None for late in (0, 1)}
    return sorted(at for at in near if first < at <= last)


@pytest.mark.parametrize("case", CASES)
def test_a_little_town_cut_off_answers_as_the_whole_did(case, tmp_path):
    source = little_town(tmp_path / "town", **CASES[case])
    whole = open_store(f"sqlite:///{tmp_path}/whole.db", create=True)
    assert take_in(whole, source).rejects == []
    points = turning_points(whole)
    few = points[:: max(1, len(points) // 6)] if case == "as it is" else points[7::29]
    for at in few:
        target = tmp_path / str(at)
        target.mkdir()
        assert_same(whole, source, target, CLOCK.at(at))
        cut = open_store(f"sqlite:///{target}/store.db")
        for name in ("reports", "repairs"):
            frames = (getattr(Known(store, at), name) for store in (cut, whole))
            pd.testing.assert_frame_equal(*frames)


# What is known, one rule each -----------------------------------------------------


@pytest.fixture
def known(tmp_path):
    """Say what is known of the little town as of a time."""
    store = open_store(f"sqlite:///{tmp_path}/store.db", create=True)

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
    store = open_store(f"sqlite:///{tmp_path}/store.db", create=True)
    late = {"received_at": "2020-01-01T00:00:00+01:00"}
    take_in(store, little_town(tmp_path / "town", reports={2: late}))
    assert default_as_of(store) == CLOCK.instant("2020-01-01T00:00:01")


def test_the_default_time_is_not_moved_by_a_light_planned_for_later(tmp_path):
    store = open_store(f"sqlite:///{tmp_path}/store.db", create=True)
    planned = {2: {"in_service": "2021-01-01"}}
    take_in(store, little_town(tmp_path / "town", lights=planned))
    assert default_as_of(store) == CLOCK.instant("2020-01-01")
    assert len(Known(store, default_as_of(store)).lights) == 9
