"""Each line of the contract's table of intake, on a little town with a cell spoilt."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from lightwatch.cli import main
from lightwatch.errors import Conflict, LightwatchError, NotUnderstood
from lightwatch.nights import DAY
from lightwatch.observations.amend import amend_light
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.outcome import Outcome, Reject
from lightwatch.observations.package import Package
from lightwatch.store import Store
from tests.towns import (
    CLOCK,
    CREATED,
    NOW,
    TABLES,
    lines_in,
    little_town,
    new_store,
    roads_text,
    table,
    take_in,
)

ODD_HOURS = 2
"""Warnings that the unspoilt town gives: two times in a clock change's odd hour."""


@pytest.fixture
def loaded(tmp_path):
    """Load the little town, spoilt as told, into a new store."""

    def do(**changes) -> Outcome:
        do.store = new_store(tmp_path)
        return take_in(do.store, little_town(tmp_path / "town", **changes))

    return do


def told(outcome: Outcome) -> list[tuple[str, int, str, str]]:
    """The bad values as (resource, row, column, reason)."""
    return [(r.resource, r.row, r.column, r.reason) for r in outcome.rejects]


def warned(outcome: Outcome) -> list[tuple[str, int, str]]:
    """The warnings beside those of the unspoilt town."""
    return [one for one in outcome.warnings if "clock change" not in one[2]]


def the_only(outcome: Outcome) -> Reject:
    """The bad value, if it is the only one."""
    assert len(outcome.rejects) == 1, told(outcome)
    return outcome.rejects[0]


def stored(store: Store, resource: str, column: str) -> list[str]:
    return [row[column] or "" for row in store.rows(resource)]


def assert_counts(outcome: Outcome) -> None:
    for name, count in outcome.counts.items():
        assert count.read == (
            count.loaded + count.changed + count.unchanged + count.rejected
        ), name
        rows = {r.row for r in outcome.rejects if r.resource == name}
        assert count.rejected == len(rows), name
        assert count.warnings == sum(1 for w in outcome.warnings if w[0] == name)


def test_a_good_town_goes_in_whole(loaded):
    outcome = loaded()
    assert outcome.rejects == []
    assert warned(outcome) == []
    assert len(outcome.warnings) == ODD_HOURS
    for name, text in TABLES.items():
        rows = len(text.splitlines()) - 1
        assert outcome.counts[name].read == outcome.counts[name].loaded == rows
        assert len(list(loaded.store.rows(name))) == rows
    assert outcome.counts["roads"].loaded == 3
    assert_counts(outcome)


# One bad value ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("resource", "line", "column", "value", "reason"),
    [
        ("lights", 5, "watts", "many", "is not a number"),
        ("lights", 5, "watts", "1,5", "is not a number"),
        ("lights", 5, "watts", "nan", "is not a number"),
        ("lights", 5, "watts", "\u0661\u0662", "is not a number"),
        ("lights", 5, "watts", "-40", "is out of range (expected at least 0)"),
        ("lights", 5, "watts", "1e999", "is out of range"),
        ("lights", 5, "technology", "sodium??", "is not in the list"),
        ("lights", 5, "technology", "HPS", "is not in the list"),
        ("lights", 5, "in_service", "2015-02-30", "is an impossible date"),
        ("lights", 5, "in_service", "1.2.2015", "is not a date"),
        ("models", 8, "lead_time_days", "1.5", "is not a whole number"),
        ("models", 8, "pack_size", "0", "expected at least 1"),
        ("models", 8, "unit_cost", "-1", "expected at least 0"),
        ("circuits", 3, "feed", "submarine", "is not in the list"),
        ("sections", 7, "length_m", "-2", "expected at least 0"),
        ("sections", 7, "installed_on", "1998-13", "is an impossible date"),
        ("components", 21, "installed_on", "spring 2012", "is not a date"),
        ("reports", 12, "longitude", "181", "expected at most 180"),
        ("repairs", 9, "proven", "sworn", "is not in the list"),
        ("weather", 4, "rh_mean_pct", "101", "expected at most 100"),
        ("weather", 4, "rain_mm", "-0.1", "expected at least 0"),
        ("stock", 2, "due_on", "2020-02-30", "is an impossible date"),
        ("components", 2, "model", "Nowhere", "model is not in models"),
        ("lights", 5, "circuit_id", "Nowhere", "circuit_id is not in circuits"),
        ("lights", 5, "section_id", "Nowhere", "section_id is not in sections"),
        ("reports", 12, "closed_at", "never", "is not a time"),
        ("reports", 12, "closed_at", "2019-12-28T23:44", "is before received_at"),
        ("reports", 12, "closed_at", "2020-01-01T00:01", "later than the package"),
        ("reports", 12, "closed_as", "done", "is not in the list"),
        ("reports", 12, "duplicate_of", "Q99", "is not in reports"),
        ("reports", 12, "duplicate_of", "Q11", "is its own duplicate"),
    ],
)
def test_a_bad_value_that_a_row_can_do_without_is_left_blank_and_told(
    loaded, resource, line, column, value, reason
):
    outcome = loaded(**{resource: {line: {column: value}}})
    assert outcome.rejects == []
    ((name, row, said),) = warned(outcome)
    assert (name, row) == (resource, line)
    assert said.startswith(column)
    assert reason in said
    assert f"{value!r}; left blank" in said
    rows = list(loaded.store.rows(resource))
    assert not rows[line - 2][column]
    extra = json.loads(rows[line - 2]["extra"])
    assert extra == {f"{column} as given": value}
    assert [row["extra"] for row in rows].count(None) == len(rows) - 1
    assert outcome.counts[resource].loaded == outcome.counts[resource].read
    assert_counts(outcome)


@pytest.mark.parametrize(
    ("resource", "line", "column", "value", "reason"),
    [
        ("lights", 5, "longitude", "", "is missing"),
        ("lights", 5, "longitude", "1,5", "is not a number"),
        ("lights", 5, "latitude", "", "is missing"),
        ("lights", 5, "light_id", "", "is missing"),
        ("lights", 5, "removed_on", "2015", "is not a date"),
        ("components", 21, "kind", "bulb", "is not in the list"),
        ("reports", 12, "received_at", "", "is missing"),
        ("reports", 12, "received_at", "2019-02-29T12:00", "is an impossible date"),
        ("reports", 12, "received_at", "last night", "is not a time"),
        ("reports", 12, "symptom", "dark", "is not in the list"),
        ("reports", 12, "danger", "very", "nothing dangerous was reported"),
        ("repairs", 9, "action", "polished", "is not in the list"),
        ("repairs", 9, "performed_at", "2019-04-31T09:00", "is an impossible date"),
        ("repairs", 9, "recorded_at", "soon", "is not a time"),
        ("repairs", 9, "made_safe", "perhaps", "is not in the list"),
        ("repairs", 9, "follow_up", "digging", "is not in the list"),
        ("repairs", 9, "temporary_feed_until", "2020-00-01", "is an impossible date"),
        ("patrols", 6, "kind", "dusk", "is not in the list"),
        ("sightings", 3, "state", "lit", "is not in the list"),
        ("weather", 4, "date", "2018-02-29", "is an impossible date"),
        ("stock", 2, "on_hand", "-3", "expected at least 0"),
        ("stock", 2, "on_hand", "3.5", "is not a whole number"),
        ("stock", 2, "on_order", "some", "is not a whole number"),
    ],
)
def test_a_bad_value_rejects_its_row_and_is_told_with_its_place(
    loaded, resource, line, column, value, reason
):
    outcome = loaded(**{resource: {line: {column: value}}})
    mine = [r for r in outcome.rejects if r.resource == resource]
    assert [(r.row, r.column, r.value) for r in mine] == [(line, column, value)]
    assert reason in mine[0].reason
    assert mine[0].reason.startswith(column)
    count = outcome.counts[resource]
    assert count.rejected == 1
    assert count.loaded == count.read - 1
    assert_counts(outcome)


@pytest.mark.parametrize(
    ("resource", "line", "column", "value"),
    [
        ("lights", 5, "watts", " +83.0 "),
        ("lights", 5, "watts", "8.3e1"),
        ("lights", 5, "watts", "1e-400"),
        ("lights", 5, "removed_on", "9999-12-31"),
        ("lights", 5, "in_service", "9999-12-31"),
        ("lights", 5, "in_service", "0001-01-01"),
        ("components", 5, "installed_on", "9999-12"),
        ("circuits", 3, "control", ""),
        ("reports", 12, "danger", ""),
        ("patrols", 6, "kind", ""),
    ],
)
def test_an_odd_but_good_value_goes_in_and_can_be_worked_with(
    loaded, resource, line, column, value
):
    outcome = loaded(**{resource: {line: {column: value}}})
    assert outcome.rejects == []
    known = Known(loaded.store, default_as_of(loaded.store))
    assert len(known.lights) == 10 - (column == "in_service" and value[0] == "9")
    assert len(known.components) >= 17


@pytest.mark.parametrize(
    ("resource", "column", "verb"),
    [
        ("reports", "received_at", "received"),
        ("repairs", "performed_at", "performed"),
        ("repairs", "recorded_at", "recorded"),
        ("patrols", "started_at", "started"),
        ("sightings", "seen_at", "seen"),
    ],
)
def test_what_happened_after_the_export_was_made_is_rejected(
    loaded, resource, column, verb
):
    outcome = loaded(**{resource: {2: {column: "2020-01-01T00:01"}}})
    (mine,) = [r for r in outcome.rejects if r.resource == resource]
    assert (mine.row, mine.column) == (2, column)
    assert mine.reason == f"{verb} later than the package was created"


@pytest.mark.parametrize("resource", ["reports", "repairs", "patrols", "sightings"])
def test_what_happened_when_the_export_was_made_is_kept(loaded, resource):
    column = {
        "reports": "received_at",
        "repairs": "recorded_at",
        "patrols": "started_at",
        "sightings": "seen_at",
    }[resource]
    outcome = loaded(**{resource: {2: {column: "2019-12-31T23:00Z"}}})
    assert [r for r in outcome.rejects if r.resource == resource] == []


def test_weather_of_a_day_that_had_not_begun_is_rejected(loaded):
    end = lines_in("weather")
    outcome = loaded(
        weather={
            end: {"station_id": "WX1", "date": "2020-01-01"},
            end + 1: {"station_id": "WX1", "date": "9999-12-31"},
        }
    )
    assert told(outcome) == [
        ("weather", line, "date", "measured later than the package was created")
        for line in (end, end + 1)
    ]


@pytest.mark.parametrize("day", ["0001-01-01", "0205-06-01", "1899-12-30"])
def test_what_happened_before_1900_is_set_aside_and_said(loaded, day):
    outcome = loaded(
        reports={2: {"received_at": f"{day}T00:00"}},
        repairs={2: {"performed_at": f"{day}T00:00", "recorded_at": ""}},
        weather={2: {"date": day}},
    )
    assert told(outcome) == [
        ("reports", 2, "received_at", "received before 1900"),
        ("repairs", 2, "performed_at", "performed before 1900"),
        ("weather", 2, "date", "measured before 1900"),
    ]


def test_a_package_made_on_a_day_to_come_is_refused_and_nothing_is_loaded(tmp_path):
    store = new_store(tmp_path)
    ahead = little_town(tmp_path / "one", created="2205-01-01T00:00")
    with pytest.raises(NotUnderstood, match=r"created 2205.*lies ahead.*clock"):
        load(store, Package.open(ahead), now=NOW, said_by="a test")
    assert store.loads() == []
    nearly = little_town(tmp_path / "two", created="2020-01-03T08:00")
    load(store, Package.open(nearly), now=NOW, said_by="a test")
    assert len(store.loads()) == 1


def test_a_store_that_took_in_a_wrong_day_before_is_put_right_by_the_right_export(
    tmp_path,
):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    moved = {2: {"circuit_id": "C2", "section_id": "S6"}}
    wrong = little_town(tmp_path / "two", created="2205-01-01T00:00", lights=moved)
    take_in(store, wrong)
    assert default_as_of(store) == CLOCK.instant("2020-01-01")
    right = little_town(
        tmp_path / "three",
        created="2020-02-01T00:00",
        lights={2: {"circuit_id": "C2", "section_id": "S6", "watts": "77"}},
    )
    counts = take_in(store, right, now=CLOCK.instant("2020-02-02")).counts["lights"]
    assert (counts.changed, counts.warnings) == (1, 0)
    day = default_as_of(store)
    assert day == CLOCK.instant("2020-02-01")
    lights = Known(store, day).lights.set_index("light_id")
    assert lights.loc["L01", ["circuit_id", "watts"]].to_list() == ["C2", 77]


def test_a_repair_recorded_before_it_was_performed_is_rejected(loaded):
    bad = the_only(loaded(repairs={2: {"recorded_at": "2016-02-05T09:59"}}))
    assert (bad.column, bad.reason) == (
        "recorded_at",
        "recorded before it was performed",
    )


def test_a_repair_recorded_in_the_minute_it_was_performed_is_kept(loaded):
    assert loaded(repairs={2: {"recorded_at": "2016-02-05T10:00"}}).rejects == []


def test_a_light_in_service_after_it_was_removed_is_rejected(loaded):
    outcome = loaded(
        lights={3: {"in_service": "2018-05-02", "removed_on": "2018-05-01"}}
    )
    mine = [r for r in outcome.rejects if r.resource == "lights"]
    assert [(r.row, r.column, r.value) for r in mine] == [
        (3, "in_service", "2018-05-02")
    ]
    assert mine[0].reason == "in service after it was removed"


def test_a_light_removed_on_its_first_day_is_kept(loaded):
    lights = {3: {"in_service": "2018-05-01", "removed_on": "2018-05-01"}}
    assert loaded(lights=lights).rejects == []


def test_two_bad_values_make_two_lines_but_one_rejected_row(loaded):
    outcome = loaded(lights={11: {"longitude": "east", "removed_on": "2019"}})
    mine = [r for r in outcome.rejects if r.resource == "lights"]
    assert sorted(r.column for r in mine) == ["longitude", "removed_on"]
    assert {(r.row, r.key) for r in mine} == {(11, "L10")}
    assert outcome.counts["lights"].rejected == 1
    assert_counts(outcome)


# Keys ---------------------------------------------------------------------------


def test_of_two_rows_with_a_key_the_first_stays(loaded):
    end = lines_in("models")
    bad = the_only(loaded(models={end: {"model": "PC-A", "kind": "lamp"}}))
    assert (bad.row, bad.key, bad.reason) == (
        end,
        "PC-A",
        "a second row with the same key",
    )
    kinds = {row["key"]: row["kind"] for row in loaded.store.rows("models")}
    assert kinds["PC-A"] == "photocontrol"


def test_of_two_rows_with_a_key_the_first_good_one_stays(loaded):
    end = lines_in("models")
    outcome = loaded(
        models={
            5: {"kind": "nonsense"},
            end: {"model": "PC-A", "kind": "photocontrol", "type": "long_life"},
        }
    )
    assert told(outcome) == [
        ("models", 5, "kind", outcome.rejects[0].reason),
    ]
    types = {row["key"]: row["type"] for row in loaded.store.rows("models")}
    assert types["PC-A"] == "long_life"


@pytest.mark.parametrize(
    ("resource", "key", "row"),
    [
        (
            "weather",
            "WX1|2016-01-01",
            {"station_id": "WX1", "date": "2016-01-01", "rain_mm": "9"},
        ),
        ("stock", "PC-A|Main", {"model": "PC-A", "depot": "Main", "on_hand": "1"}),
        (
            "patrols",
            "N1|R1",
            {"patrol_id": "N1", "started_at": "2016-12-06T21:00", "road_id": "R1"},
        ),
        (
            "sightings",
            "N1|L04|2016-12-05T21:40",
            {
                "patrol_id": "N1",
                "light_id": "L04",
                "state": "dim",
                "seen_at": "2016-12-05T21:40",
            },
        ),
    ],
)
def test_keys_of_several_columns_are_joined_by_a_bar(loaded, resource, key, row):
    end = lines_in(resource)
    bad = the_only(loaded(**{resource: {end: row}}))
    assert (bad.resource, bad.row, bad.key) == (resource, end, key)
    assert bad.reason == "a second row with the same key"


def test_components_are_keyed_by_holder_kind_and_count(loaded):
    end = lines_in("components")
    outcome = loaded(
        components={
            end: {"light_id": "L01", "kind": "lamp", "model": "LP-70"},
            end + 1: {"circuit_id": "C2", "kind": "photocontrol", "model": "PC-A"},
        }
    )
    assert outcome.rejects == []
    keys = set(stored(loaded.store, "components", "key"))
    assert {"L01|lamp|1", "L01|lamp|2", "C2|photocontrol|1"} <= keys
    assert "C2|photocontrol|2" in keys


# Where the lights are -----------------------------------------------------------


def test_a_light_in_another_place_is_rejected(loaded):
    outcome = loaded(lights={2: {"latitude": "48.3200"}})
    mine = [r for r in outcome.rejects if r.resource == "lights"]
    assert [r.reason for r in mine] == [
        "lies more than 50 km from the middle of the lights"
    ]


@pytest.mark.parametrize(("latitude", "kept"), [("47.765", True), ("47.775", False)])
def test_fifty_kilometres_are_the_limit(loaded, latitude, kept):
    # A degree of latitude is 111.2 km on the mean sphere: 50 km are 0.4497 degrees
    # from the lights' median latitude, 47.3202 (with the far one among them).
    outcome = loaded(lights={2: {"latitude": latitude}})
    assert (outcome.counts["lights"].rejected == 0) is kept


def test_swapped_coordinates_are_named_so(loaded):
    outcome = loaded(lights={2: {"longitude": "47.3200", "latitude": "15.6400"}})
    mine = [r for r in outcome.rejects if r.resource == "lights"]
    assert [r.reason for r in mine] == ["longitude and latitude are swapped"]


def test_swapped_coordinates_are_named_so_where_longitudes_are_great(loaded):
    rows = [dict(row) for row in csv.DictReader(TABLES["lights"].splitlines())]
    moved = {
        i + 2: {
            "longitude": f"{float(row['longitude']) + 130:.4f}",
            "latitude": f"{-float(row['latitude']) + 10:.4f}",
        }
        for i, row in enumerate(rows)
    }
    swapped = moved[4]
    moved[4] = {"longitude": swapped["latitude"], "latitude": swapped["longitude"]}
    outcome = loaded(lights=moved)
    mine = [r.reason for r in outcome.rejects if r.resource == "lights"]
    assert "longitude and latitude are swapped" in mine
    assert outcome.counts["lights"].rejected == 1


def test_one_far_light_does_not_move_the_middle(loaded):
    outcome = loaded(
        lights={
            2: {"longitude": "-170"},
            3: {"longitude": "1e308"},
            4: {"latitude": "x"},
        }
    )
    assert outcome.counts["lights"].rejected == 3
    assert outcome.counts["lights"].loaded == 7


# References ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("resource", "line", "column", "to"),
    [
        ("components", 2, "light_id", "lights"),
        ("components", 21, "circuit_id", "circuits"),
        ("sections", 5, "circuit_id", "circuits"),
        ("sections", 5, "upstream_section_id", "sections"),
        ("sightings", 2, "patrol_id", "patrols"),
        ("sightings", 2, "light_id", "lights"),
        ("patrols", 2, "road_id", "roads"),
        ("stock", 2, "model", "models"),
    ],
)
def test_a_reference_that_leads_nowhere_rejects_the_row(
    loaded, resource, line, column, to
):
    outcome = loaded(**{resource: {line: {column: "Nowhere"}}})
    mine = [r for r in outcome.rejects if (r.resource, r.row) == (resource, line)]
    assert [(r.column, r.value) for r in mine] == [(column, "Nowhere")]
    assert mine[0].reason == f"{column} is not in {to}"


@pytest.mark.parametrize(
    ("bad", "line", "column", "resource", "hangs_by"),
    [
        ("lights", 2, "longitude", "components", "light_id"),
        ("lights", 5, "longitude", "sightings", "light_id"),
        ("patrols", 6, "kind", "sightings", "patrol_id"),
        ("models", 2, "kind", "stock", "model"),
    ],
)
def test_what_hangs_on_a_rejected_row_is_rejected_and_says_so(
    loaded, bad, line, column, resource, hangs_by
):
    outcome = loaded(**{bad: {line: {column: "nonsense"}}})
    mine = [r for r in outcome.rejects if r.resource == resource]
    assert mine
    reason = f"{hangs_by} hangs on a row of {bad} that was rejected"
    assert reason in {r.reason for r in mine}
    assert_counts(outcome)


def test_a_patrol_that_kept_one_road_keeps_its_sightings(loaded):
    outcome = loaded(patrols={2: {"road_id": "R9"}})
    assert [r.resource for r in outcome.rejects] == ["patrols"]
    assert outcome.counts["sightings"].loaded == 5


def test_a_rejected_section_takes_all_beyond_it_with_it(loaded):
    outcome = loaded(sections={3: {"circuit_id": "C9"}})
    assert [r.key for r in outcome.rejects] == ["S2", "S3"]
    kept = zip(
        *(stored(loaded.store, "lights", c) for c in ("key", "section_id")), strict=True
    )
    assert [light for light, section in kept if not section] == ["L02", "L03", "L09"]
    hanging = "section_id hangs on a row of sections that was rejected: 'S3'"
    assert ("lights", 4, f"{hanging}; left blank") in outcome.warnings


@pytest.mark.parametrize(
    ("sections", "inside"),
    [
        ({2: {"upstream_section_id": "S1"}}, {"S1"}),
        ({2: {"upstream_section_id": "S2"}}, {"S1", "S2"}),
        ({2: {"upstream_section_id": "S3"}}, {"S1", "S2", "S3"}),
    ],
)
def test_a_section_that_feeds_itself_is_rejected_however_long_the_way(
    loaded, sections, inside
):
    outcome = loaded(sections=sections)
    mine = {r.key: r.reason for r in outcome.rejects if r.resource == "sections"}
    assert {key for key, reason in mine.items() if reason == "feeds itself"} == inside
    assert set(mine) == {"S1", "S2", "S3", "S4"}
    assert "hangs on" in mine["S4"]
    assert stored(loaded.store, "sections", "key") == ["S5", "S6"]


def test_a_section_on_another_circuit_than_its_upstream_section_is_rejected(loaded):
    outcome = loaded(sections={7: {"upstream_section_id": "S1"}})
    mine = [r for r in outcome.rejects if r.resource == "sections"]
    assert [(r.key, r.reason) for r in mine] == [
        ("S6", "lies on another circuit than its upstream section S1")
    ]


@pytest.mark.parametrize(
    "second",
    [
        {"circuit_id": "C2"},
        {"circuit_id": "C1", "kind": "nonsense"},
        {"circuit_id": "C1", "upstream_section_id": "S3"},
    ],
)
def test_a_second_row_for_a_section_does_no_harm_to_what_the_first_feeds(
    loaded, second
):
    end = lines_in("sections")
    outcome = loaded(sections={end: {"section_id": "S1", **second}})
    assert {(r.resource, r.row) for r in outcome.rejects} == {("sections", end)}


def test_a_bad_first_row_for_a_section_leaves_the_second_to_feed(loaded):
    end = lines_in("sections")
    outcome = loaded(
        sections={
            2: {"circuit_id": "C9"},
            end: {"section_id": "S1", "circuit_id": "C1"},
        }
    )
    assert told(outcome)[0][:3] == ("sections", 2, "circuit_id")
    assert len(outcome.rejects) == 1


def test_a_section_without_an_id_does_no_harm_to_the_others(loaded):
    end = lines_in("sections")
    blank = {"section_id": "", "circuit_id": "C1", "upstream_section_id": "S2"}
    bad = the_only(loaded(sections={end: blank}))
    assert (bad.row, bad.column, bad.key) == (end, "section_id", "")


def test_a_later_export_may_not_close_a_ring_of_sections(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    only = "section_id,circuit_id,upstream_section_id\nS1,C1,S3\n"
    outcome = take_in(
        store,
        little_town(tmp_path / "two", created="2020-02-01", sections=only),
        now=NOW + 1,
    )
    assert told(outcome) == [("sections", 2, "upstream_section_id", "feeds itself")]
    assert store.find("sections", ["S1"])["S1"]["upstream_section_id"] is None


def test_a_component_of_nothing_is_rejected(loaded):
    bad = the_only(loaded(components={2: {"light_id": ""}}))
    assert "neither a light nor a circuit" in bad.reason


@pytest.mark.parametrize(
    ("line", "column", "to"),
    [(2, "report_id", "reports"), (2, "light_id", "lights"), (10, "section_id", "x")],
)
def test_a_repair_is_kept_without_a_reference_that_leads_nowhere(
    loaded, line, column, to
):
    row = {column: "Nowhere"}
    outcome = loaded(repairs={line: row | ({"circuit_id": "C1"} if to == "x" else {})})
    assert outcome.rejects == []
    ((resource, at, reason),) = warned(outcome)
    assert (resource, at) == ("repairs", line)
    assert reason.startswith(f"{column} is not in ")
    repairs = Known(loaded.store, default_as_of(loaded.store)).repairs
    assert repairs.loc[repairs["repair_id"] == f"W{line - 1:02}", column].item() == ""
    assert stored(loaded.store, "repairs", column)[line - 2] == "Nowhere"


def test_a_report_of_a_rejected_light_is_kept_by_its_coordinates(loaded):
    outcome = loaded(lights={4: {"longitude": "east"}})
    assert ("reports", 3, "light_id hangs on a row of lights that was rejected; "
            "kept without it") in warned(outcome)  # fmt: skip
    reports = Known(loaded.store, default_as_of(loaded.store)).reports
    kept = reports[reports["report_id"] == "Q02"]
    assert kept["light_id"].item() == ""
    assert kept["named"].item()
    nowhere = [r for r in outcome.rejects if r.resource == "reports"]
    assert [(r.key, r.column) for r in nowhere] == [("Q11", "light_id")]
    assert "nothing says where" in nowhere[0].reason


def test_a_repair_that_named_a_light_is_never_work_on_the_whole_circuit(loaded):
    loaded(repairs={2: {"light_id": "Nowhere"}})
    repairs = Known(loaded.store, default_as_of(loaded.store)).repairs
    kept = repairs[repairs["repair_id"] == "W01"]
    assert (kept["light_id"].item(), kept["circuit_id"].item()) == ("", "C1")
    assert kept["named"].item()
    whole = repairs[repairs["repair_id"] == "W03"]
    assert not whole["named"].item()


@pytest.mark.parametrize("light", ["", "Nowhere"])
def test_a_repair_of_which_nothing_says_where_is_rejected(loaded, light):
    bad = the_only(loaded(repairs={5: {"light_id": light, "report_id": ""}}))
    assert (bad.key, bad.column) == ("W04", "light_id")
    assert "nothing says where" in bad.reason


def test_a_report_with_one_coordinate_and_no_light_says_not_where(loaded):
    bad = the_only(loaded(reports={4: {"latitude": ""}}))
    assert (bad.key, bad.column) == ("Q03", "light_id")


@pytest.mark.parametrize(
    ("resource", "line", "change", "reason"),
    [
        ("lights", 2, {"road_id": "R9"}, "road_id is not in roads"),
        (
            "repairs",
            2,
            {"supersedes": "W99"},
            "supersedes W99, which is not in repairs",
        ),
        ("repairs", 2, {"fitted_model": "LP-1"}, "fitted_model LP-1 is not in models"),
        (
            "repairs",
            9,
            {"fitted_model": "DR-40+MD-9"},
            "fitted_model MD-9 is not in models",
        ),
    ],
)
def test_a_lesser_reference_that_leads_nowhere_is_kept_and_warned_of(
    loaded, resource, line, change, reason
):
    outcome = loaded(**{resource: {line: change}})
    assert outcome.rejects == []
    assert warned(outcome) == [(resource, line, reason)]
    ((column, value),) = change.items()
    assert stored(loaded.store, resource, column)[line - 2] == value


def test_a_correction_may_stand_before_the_record_that_it_corrects(loaded):
    outcome = loaded(repairs={2: {"supersedes": "W06"}})
    assert warned(outcome) == []
    known = Known(loaded.store, default_as_of(loaded.store))
    assert not {"W05", "W06"} & set(known.repairs["repair_id"])


def test_a_rejected_row_is_not_also_warned_of(loaded):
    outcome = loaded(repairs={2: {"supersedes": "W99", "action": "polished"}})
    assert len(outcome.rejects) == 1
    assert warned(outcome) == []


def test_a_repair_that_says_it_corrects_itself_still_counts(loaded):
    loaded(repairs={2: {"supersedes": "W01"}})
    known = Known(loaded.store, default_as_of(loaded.store))
    assert "W01" in set(known.repairs["repair_id"])


# Files --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("missing", "rejected"),
    [
        ("roads", set()),
        ("sections", set()),
        ("models", set()),
        ("reports", set()),
        ("patrols", set()),
    ],
)
def test_a_missing_file_is_warned_of_once_and_costs_no_row(loaded, missing, rejected):
    outcome = loaded(**{missing: None})
    assert {r.resource for r in outcome.rejects} == rejected
    assert [reason.split(": ")[1] for _, _, reason in warned(outcome)] == [
        f"there is no {missing} file"
    ]
    assert missing not in outcome.counts


def test_a_missing_file_is_warned_of_though_the_first_row_that_names_it_is_bad(loaded):
    outcome = loaded(roads=None, lights={2: {"longitude": "east"}})
    assert [one[:2] for one in warned(outcome) if "no roads file" in one[2]] == [
        ("lights", 3)
    ]


@pytest.mark.parametrize("missing", ["stations", "weather", "sightings", "stock"])
def test_a_missing_file_that_no_other_names_or_only_weather_is_no_trouble(
    loaded, missing
):
    assert loaded(**{missing: None}).rejects == []


def test_all_that_is_required_is_enough(loaded):
    optional = ["reports", "patrols", "sightings", "weather", "stations", "stock"]
    outcome = loaded(**dict.fromkeys([*optional, "roads", "sections", "models"]))
    assert outcome.rejects == []
    assert set(outcome.counts) == {"circuits", "lights", "components", "repairs"}


def test_a_package_without_lights_is_refused(tmp_path):
    with pytest.raises(NotUnderstood, match=r"lights\.csv is missing"):
        Package.open(little_town(tmp_path, lights=None))


@pytest.mark.parametrize("name", [*TABLES])
def test_a_file_with_no_rows_is_a_file(loaded, name):
    outcome = loaded(**{name: TABLES[name].splitlines()[0] + "\n"})
    assert outcome.counts[name].read == 0
    assert loaded.store.header(name) == TABLES[name].splitlines()[0].split(",")
    assert not [one for one in outcome.warnings if f"no {name} file" in one[2]]


def test_optional_columns_may_be_missing(loaded):
    lights = "light_id,longitude,latitude,technology\nL01,15.64,47.32,hps\n"
    outcome = loaded(lights=lights)
    assert outcome.counts["lights"].loaded == 1
    assert len(Known(loaded.store, default_as_of(loaded.store)).lights) == 1


def test_unknown_columns_stay_with_their_rows(loaded):
    changes = {2: {"paint": "green", "key": "brass"}, 4: {"geometry": "leaning, a bit"}}
    assert loaded(lights=changes).rejects == []
    extra = [
        json.loads(text or "{}") for text in stored(loaded.store, "lights", "extra")
    ]
    assert extra[0] == {"key": "brass", "paint": "green"}
    assert extra[1] == {}
    assert extra[2] == {"geometry": "leaning, a bit"}
    assert loaded.store.header("lights")[-3:] == ["paint", "key", "geometry"]


def test_a_byte_order_mark_is_no_part_of_the_first_column(loaded):
    text = "\ufeff" + TABLES["lights"].replace("\n", "\r\n")
    outcome = loaded(lights=text.encode())
    assert outcome.rejects == []
    assert outcome.counts["lights"].loaded == 10
    assert stored(loaded.store, "lights", "notes") == [""] * 10


def test_a_row_is_told_by_the_line_on_which_it_starts(loaded):
    text = table(
        "lights",
        {
            2: {"notes": "two\nlines"},
            4: {"notes": "and\nthree\nlines"},
            5: {"longitude": "?"},
            7: {"notes": "again,\n\nwith a blank one", "longitude": "?"},
            8: {"longitude": "?"},
        },
    )
    outcome = loaded(lights=text.replace("L09", "\n\nL09", 1))
    mine = [(r.row, r.key) for r in outcome.rejects if r.resource == "lights"]
    lines = text.splitlines()
    assert mine == [(8, "L04"), (10, "L06"), (13, "L07")]
    assert [lines[row - 1][:3] for row, _ in mine] == ["L04", "L06", "L07"]


def test_lines_are_counted_on_across_blank_lines_and_batches(loaded, monkeypatch):
    monkeypatch.setattr("lightwatch.observations.intake._AT_ONCE", 2)
    text = table("reports", {5: {"symptom": "dark"}, 3: {"notes": "a\nb"}})
    outcome = loaded(reports=text.replace("\nQ09", "\n\n\nQ09").replace(
        "Q10,2019-12-20T17:00", "Q10,never"))  # fmt: skip
    mine = [(r.row, r.key) for r in outcome.rejects if r.resource == "reports"]
    assert mine == [(6, "Q04"), (14, "Q10")]
    assert outcome.counts["reports"].read == 11


@pytest.mark.parametrize(
    ("row", "cells"), [("L11,P11,15.64,47.32,R1,C1", 6), ("L11" + ",a" * 14, 15)]
)
def test_a_row_with_too_few_or_too_many_cells_is_rejected(loaded, row, cells):
    outcome = loaded(lights=TABLES["lights"] + row + "\n")
    mine = [r for r in outcome.rejects if r.resource == "lights"]
    assert {(r.row, r.key) for r in mine} == {(12, "L11")}
    assert f"has {cells} cells, the header 12" in {r.reason for r in mine}
    assert outcome.counts["lights"].loaded == 10


def test_another_delimiter_and_encoding_are_read_if_the_descriptor_says_so(tmp_path):
    folder = little_town(
        tmp_path / "town",
        circuits="circuit_id;feed;source\nC1;underground;Ä\nC2;overhead;ß".encode(
            "cp1252"
        ),
    )
    where = folder / "datapackage.json"
    described = json.loads(where.read_text("utf-8"))
    for one in described["resources"]:
        if one["name"] == "circuits":
            one |= {"encoding": "cp1252", "dialect": {"delimiter": ";"}}
    where.write_text(json.dumps(described), "utf-8")
    store = new_store(tmp_path)
    assert take_in(store, folder).rejects == []
    assert stored(store, "circuits", "source") == ["Ä", "ß"]


@pytest.mark.parametrize(
    ("roads", "reason"),
    [
        ('{"type": "FeatureCollection"}', "not a GeoJSON FeatureCollection"),
        ("[]", "not a GeoJSON FeatureCollection"),
        ("{", "not a GeoJSON FeatureCollection"),
    ],
)
def test_roads_that_are_no_feature_collection_refuse_the_package(loaded, roads, reason):
    with pytest.raises(NotUnderstood, match=reason):
        loaded(roads=roads)


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('"LineString"', '"Point"', "is not a LineString"),
        ("[[15.64, 47.32], [15.6415, 47.32]]", "[[15.64, 47.32]]", "fewer than two"),
        ("[15.6415, 47.32]", "[NaN, 47.32]", "no longitude and latitude"),
        ("[15.6415, 47.32]", "[190, 47.32]", "no longitude and latitude"),
        ("[15.6415, 47.32]", '["a", "b"]', "no longitude and latitude"),
        ('"road_id": "R1", ', "", "road_id is missing"),
        ('"properties": {"road_id": "R1"', '"properties": [], "x": {"a": 1', "road_id"),
    ],
)
def test_a_bad_road_is_rejected_and_the_others_stay(loaded, old, new, reason):
    text = roads_text()
    assert old in text
    outcome = loaded(roads=text.replace(old, new, 1))
    mine = [r for r in outcome.rejects if r.resource == "roads"]
    assert [r.row for r in mine] == [1]
    assert reason in mine[0].reason
    assert stored(loaded.store, "roads", "key") == ["R2", "R3"]


# Packages that are refused --------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"lights": ""}, "is empty"),
        ({"lights": "light_id,longitude\nL1,2\n"}, "column 'latitude' is missing"),
        ({"lights": "light_id,light_id\n1,2\n"}, "column 'light_id' stands twice"),
        ({"lights": TABLES["lights"] + 'L11,"x"y\n'}, "line 12: not a table"),
        ({"lights": TABLES["lights"] + 'L11,"x\n'}, "not a table"),
        ({"lights": TABLES["lights"].encode("utf-16")}, "is not utf-8"),
        ({"lights": TABLES["lights"].encode() + b"\xff,\n"}, "is not utf-8"),
    ],
)
def test_what_is_no_table_refuses_the_package_in_one_line(loaded, changes, reason):
    with pytest.raises(NotUnderstood, match=reason) as refused:
        loaded(**changes)
    assert "lights.csv" in str(refused.value)
    assert "\n" not in str(refused.value)
    assert loaded.store.loads() == []
    assert list(loaded.store.rows("circuits")) == []


@pytest.mark.parametrize(
    ("resource", "reason"),
    [
        ({"path": "../lights.csv"}, "leaves the folder"),
        ({"path": "/etc/passwd"}, "leaves the folder"),
        ({"path": "a/../../b.csv"}, "leaves the folder"),
        ({"path": "lights.csv", "encoding": "klingon"}, "klingon"),
        ({"path": "lights.csv", "dialect": {"delimiter": ";;"}}, "delimiter"),
        ({"path": "other.csv"}, "is missing"),
    ],
)
def test_a_resource_that_cannot_be_reached_or_read_refuses_the_package(
    tmp_path, resource, reason
):
    described = {"resources": [{"name": "lights", **resource}]}
    folder = little_town(tmp_path / "town", described=described)
    with pytest.raises(LightwatchError, match=reason) as refused:
        take_in(new_store(tmp_path), folder)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("resources", [None, {}, "all", [None, 3, {"name": "lights"}]])
def test_a_package_that_lists_no_files_is_read_by_their_usual_names(
    tmp_path, resources
):
    folder = little_town(tmp_path / "town", described={"resources": resources})
    assert take_in(new_store(tmp_path), folder).rejects == []


@pytest.mark.parametrize("text", ["{", "[]", "", "\ufeff", "null", '"x"'])
def test_a_broken_descriptor_is_one_clear_line(tmp_path, text):
    (little_town(tmp_path) / "datapackage.json").write_text(text, "utf-8")
    with pytest.raises(NotUnderstood, match=r"datapackage\.json") as refused:
        Package.open(tmp_path)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("place", "created", "reason"),
    [
        ({"timezone": "Mars/Base"}, CREATED, "timezone"),
        ({"timezone": None}, CREATED, "timezone is missing"),
        ({"name": ""}, CREATED, "name is missing"),
        ({"opened_on": "once"}, CREATED, "opened_on"),
        ({}, "", "created"),
        ({}, "2020-02-30", "created"),
    ],
)
def test_a_descriptor_without_the_places_particulars_is_refused(
    tmp_path, place, created, reason
):
    with pytest.raises(NotUnderstood, match=reason):
        Package.open(little_town(tmp_path, place=place, created=created))


def test_a_folder_without_a_descriptor_is_no_package(tmp_path):
    with pytest.raises(NotUnderstood, match="is no data package"):
        Package.open(tmp_path)
    with pytest.raises(NotUnderstood, match="is no data package"):
        Package.open(tmp_path / "nowhere")


# Loading again ------------------------------------------------------------------


def dump(store: Store) -> str:
    """All that the store holds, but for the numbers of loads."""
    rows = {
        name: [{**row, "load_id": None} for row in store.rows(name)]
        for name in [*TABLES, "roads"]
    }
    past = {name: store.history(name) for name in TABLES}
    return json.dumps([rows, past], sort_keys=True)


def test_loading_a_package_again_changes_nothing(tmp_path):
    store, folder = new_store(tmp_path), little_town(tmp_path / "town")
    take_in(store, folder)
    before, loads = dump(store), store.loads()
    again = take_in(store, folder, now=NOW + 1)
    assert dump(store) == before
    assert store.loads() == loads
    assert again.rejects == []
    for name, count in again.counts.items():
        assert (count.loaded, count.changed) == (0, 0), name
        assert count.unchanged == count.read, name


def test_loading_a_spoilt_package_again_rejects_the_same_rows(tmp_path):
    folder = little_town(
        tmp_path / "town", lights={2: {"watts": "-1"}}, repairs={3: {"action": "?"}}
    )
    store = new_store(tmp_path)
    first = take_in(store, folder)
    again = take_in(store, folder, now=NOW + 1)
    assert again.rejects == first.rejects
    assert again.warnings == first.warnings
    assert_counts(again)


def test_a_later_export_adds_what_is_new(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    end = lines_in("reports")
    row = {
        "report_id": "Q12",
        "received_at": "2020-01-15T18:00",
        "light_id": "L04",
        "symptom": "out",
    }
    later = little_town(
        tmp_path / "two", created="2020-02-01T00:00", reports={end: row}
    )
    outcome = take_in(store, later, now=CLOCK.instant("2020-02-02"))
    counts = outcome.counts["reports"]
    assert (counts.loaded, counts.changed, counts.unchanged) == (1, 0, 11)
    assert stored(store, "reports", "key")[-1] == "Q12"
    assert default_as_of(store) == CLOCK.instant("2020-02-01")


def test_a_changed_row_counts_from_the_day_its_export_was_made(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    later = little_town(
        tmp_path / "two",
        created="2020-02-01T00:00",
        lights={2: {"circuit_id": "C2", "section_id": "S6"}},
    )
    day = CLOCK.instant("2020-02-01")
    counts = take_in(store, later, now=day + 99 * DAY).counts["lights"]
    assert (counts.changed, counts.unchanged, counts.loaded) == (1, 9, 0)
    at = [Known(store, day + late).lights for late in (-1, 0)]
    assert [list(one["light_id"]) for one in at] == [
        sorted(one["light_id"]) for one in at
    ]
    assert at[0].set_index("light_id").loc["L01", "circuit_id"] == "C1"
    assert at[1].set_index("light_id").loc["L01", "circuit_id"] == "C2"
    (old,) = store.history("lights")
    assert old["key"] == "L01"
    assert old["content"]["section_id"] == "S1"
    assert default_as_of(store) == day
    assert default_as_of(store) == CLOCK.instant("2020-02-01")


def test_what_a_person_corrected_after_an_export_was_made_stands(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    day = CLOCK.instant("2020-02-05T09:00")
    amend_light(store, "L01", {"watts": "90"}, on=None, now=day, said_by="Ada")
    changes = {"lights": {2: {"watts": "70"}}}
    early = little_town(tmp_path / "two", created="2020-02-01", **changes)
    outcome = take_in(store, early, now=day + DAY)
    assert (outcome.counts["lights"].changed, stored(store, "lights", "watts")[0]) == (
        0,
        "90",
    )
    assert "Ada corrected it after the export was made" in warned(outcome)[0][2]
    late = little_town(tmp_path / "three", created="2020-02-06", **changes)
    assert take_in(store, late, now=day + DAY).counts["lights"].changed == 1
    assert stored(store, "lights", "watts")[0] == "70"


def test_rows_absent_from_a_later_export_stay(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    fewer = "\n".join(TABLES["lights"].splitlines()[:-3]) + "\n"
    outcome = take_in(
        store,
        little_town(tmp_path / "two", created="2020-02-01", lights=fewer, stock=None),
        now=NOW + 1,
    )
    assert outcome.rejects == []
    assert len(stored(store, "lights", "key")) == 10
    assert len(stored(store, "stock", "key")) == 2


def test_an_export_with_its_columns_in_another_order_changes_nothing(tmp_path):
    store = new_store(tmp_path)
    lights = {i: {"paint": "green", "arm": "2 m"} for i in range(2, 12)}
    take_in(store, little_town(tmp_path / "one", lights=lights))
    names = table("lights", lights).splitlines()[0].split(",")
    rows = [line.split(",") for line in table("lights", lights).splitlines()]
    turned = "\n".join(",".join(row[::-1]) for row in rows) + "\n"
    assert len(names) == 14
    outcome = take_in(store, little_town(tmp_path / "two", lights=turned), now=NOW + 1)
    assert outcome.counts["lights"].unchanged == 10
    assert store.history("lights") == []


def test_an_older_export_does_not_undo_a_newer_one(tmp_path):
    store = new_store(tmp_path)
    newer = little_town(
        tmp_path / "two", created="2020-02-01", lights={2: {"watts": "100"}}
    )
    take_in(store, newer)
    outcome = take_in(
        store, little_town(tmp_path / "one"), now=CLOCK.instant("2020-02-02")
    )
    assert outcome.counts["lights"].changed == 0
    assert stored(store, "lights", "watts")[0] == "100"
    assert [one[:2] for one in warned(outcome)] == [("lights", 2)]
    assert_counts(outcome)


def test_a_package_of_another_place_is_refused(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    before = dump(store)
    other = little_town(tmp_path / "two", place={"name": "Otherton"})
    with pytest.raises(Conflict, match="Otherton"):
        take_in(store, other)
    assert dump(store) == before


def test_a_bad_new_version_of_a_row_leaves_the_good_old_one(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    outcome = take_in(
        store,
        little_town(
            tmp_path / "two", created="2020-02-01", lights={2: {"watts": "-1"}}
        ),
        now=NOW + 1,
    )
    assert [one[:2] for one in warned(outcome)] == [("lights", 2)]
    assert stored(store, "lights", "watts")[0] == "83"
    again = take_in(store, tmp_path / "two", now=NOW + 2)
    assert again.counts["lights"].changed == 0


# The command --------------------------------------------------------------------


@pytest.fixture
def command(tmp_path, monkeypatch, capsys):
    """Run the command line in a folder; return exit status, stdout and stderr."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LIGHTWATCH_DATABASE_URL", raising=False)

    def run(*arguments: str | Path) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["lightwatch", *map(str, arguments)])
        status = 0
        try:
            main()
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 1
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return status, said.out, said.err

    return run


def rejects_in(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


HEADER = ["resource", "row", "key", "column", "value", "reason"]


def test_load_says_what_became_of_the_rows_and_exits_0(command, tmp_path):
    folder = little_town(
        tmp_path / "town", lights={5: {"notes": 'say "x"', "latitude": "-91"}}
    )
    status, out, _ = command("load", folder, "--json", "--partial")
    document = json.loads(out)
    assert status == 0
    assert document["rejects"] == "rejects.csv"
    assert document["resources"]["lights"]["rejected"] == 1
    assert document["resources"]["lights"]["loaded"] == 9
    header, *rows = rejects_in(tmp_path / "rejects.csv")
    assert header == HEADER
    assert rows[0] == [
        "lights",
        "5",
        "L04",
        "latitude",
        "-91",
        "latitude is out of range (expected at least -90)",
    ]


def test_the_rejects_file_of_a_good_package_is_a_header(command, tmp_path):
    status, _, _ = command("load", little_town(tmp_path / "town"), "--rejects", "r.csv")
    assert status == 0
    assert rejects_in(tmp_path / "r.csv") == [HEADER]
    assert not (tmp_path / "rejects.csv").exists()


def test_a_rejected_value_with_line_breaks_is_one_record_of_the_rejects_file(
    command, tmp_path
):
    text = TABLES["lights"].replace("L01,P01,15.6400", '"L\r01",P01,"1\n5"', 1)
    folder = little_town(tmp_path / "town", lights=text)
    assert command("load", folder, "--partial")[0] == 0
    assert [
        "lights",
        "2",
        "L\r01",
        "longitude",
        "1\n5",
        "longitude is not a number",
    ] in (rejects_in(tmp_path / "rejects.csv"))


def test_a_rejects_file_that_cannot_be_written_is_one_clear_line(command, tmp_path):
    folder = little_town(tmp_path / "town")
    status, _, err = command("load", folder, "--rejects", "no/such/folder/r.csv")
    assert status == 1
    assert "cannot be written" in err.splitlines()[-1]


def test_strict_loads_nothing_if_a_row_is_bad(command, tmp_path):
    folder = little_town(tmp_path / "town", weather={2: {"rain_mm": "-1"}})
    status, _, err = command("load", folder, "--strict")
    assert status == 1
    assert "nothing was loaded" in err.splitlines()[-1]
    assert [row[0] for row in rejects_in(tmp_path / "rejects.csv")] == [
        "resource",
        "weather",
    ]
    status, _, err = command("rates")
    assert status == 1
    assert "store is empty" in err


def test_strict_loads_a_good_package_whole(command, tmp_path):
    folder = little_town(tmp_path / "town")
    assert command("load", folder, "--strict")[0] == 0
    status, out, _ = command("load", folder, "--strict", "--json")
    assert status == 0
    assert json.loads(out)["resources"]["lights"]["unchanged"] == 10


def test_strict_leaves_an_earlier_load_as_it_was(command, tmp_path):
    assert command("load", little_town(tmp_path / "one"))[0] == 0
    later = little_town(
        tmp_path / "two",
        created="2020-02-01",
        lights={2: {"watts": "90"}, 3: {"watts": "-1"}},
    )
    assert command("load", later, "--strict")[0] == 1
    status, out, _ = command("load", tmp_path / "one", "--json")
    assert status == 0
    assert json.loads(out)["resources"]["lights"]["unchanged"] == 10


@pytest.mark.parametrize(
    "arguments",
    [
        ["load", "nowhere"],
        ["load", "broken"],
        ["rates"],
        ["outages", "--db", "sqlite:///none.db"],
        ["rates", "--db", "nonsense://"],
        ["rates", "--db", "not a url"],
        ["export", "out"],
        ["load", "town", "--db", "sqlite:///no/such/folder/x.db"],
    ],
)
def test_a_refusal_is_one_line_and_status_1(command, tmp_path, arguments):
    little_town(tmp_path / "town")
    (little_town(tmp_path / "broken") / "repairs.csv").write_bytes(b"\x80")
    status, out, err = command(*arguments)
    assert status == 1
    assert out == ""
    assert err.splitlines()[-1].startswith("lightwatch: ")


@pytest.mark.parametrize(
    "arguments",
    [["load"], ["load", "a", "b"], ["nonsense"], ["rates", "--bye", "kind"]],
)
def test_wrong_usage_is_status_2(command, arguments):
    assert command(*arguments)[0] == 2


def test_an_as_of_that_is_no_time_is_refused(command, tmp_path):
    command("load", little_town(tmp_path / "town"))
    status, out, err = command("rates", "--as-of", "yesterday", "--json")
    assert status == 2
    assert out == ""
    assert "--as-of: 'yesterday' is not a time" in err


@pytest.mark.parametrize("day", ["2016-01-01", "0001-01-01", "9999-12-31"])
def test_a_day_before_or_after_everything_is_answered(command, tmp_path, day):
    command("load", little_town(tmp_path / "town"))
    for verb in ("rates", "outages"):
        status, out, _ = command(verb, "--as-of", day, "--json")
        assert status == 0
        assert json.loads(out)["as_of"]
