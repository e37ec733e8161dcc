"""The contract of a patrol, held against the shared town and the invented city."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise

import jsonschema
import numpy as np
import pytest
from icalendar import Calendar

from lightwatch.decisions.patrol import CrewPlan, Order, PatrolPlan, plan_patrol
from lightwatch.decisions.patrol.network import metres
from lightwatch.decisions.patrol.patrol import depot_of
from lightwatch.decisions.triage import outages
from lightwatch.errors import NotUnderstood
from lightwatch.lives import Lives, lives
from lightwatch.nights import SECOND
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from reports.patrol import CAUTIONS, patrol_document, patrol_text, roads_driven
from reports.patrol_files import calendar, gpx
from reports.patrol_map import patrol_map
from reports.patrol_sheet import patrol_sheet
from tests.small_city import small_city

NIGHT = date(2025, 9, 30)


@pytest.fixture(scope="module", params=["town", "city"])
def place(request, tmp_path_factory) -> Lives:
    """The shared town and a village of the invented city, each as known."""
    if request.param == "town":
        store = request.getfixturevalue("town").store
    else:
        store = open_store(small_city(tmp_path_factory.mktemp("city")))
    return lives(Register(Known(store, default_as_of(store))))


@pytest.fixture(scope="module")
def plan(place: Lives) -> PatrolPlan:
    night = place.register.known.clock.at(place.register.as_of).date()
    return plan_patrol(place, Order(night, crews=2), outages(place), seconds=0)


def document(plan: PatrolPlan, place: Lives) -> dict:
    text = json.dumps(
        patrol_document(plan, place.register.known.clock), allow_nan=False
    )
    return json.loads(text)


def test_what_it_prints_is_as_its_schema_says(shared, place, plan):
    text = (shared / "contract" / "patrol.schema.json").read_text("utf-8")
    schema = jsonschema.Draft202012Validator(
        json.loads(text), format_checker=jsonschema.FormatChecker()
    )
    schema.validate(document(plan, place))


def test_every_leg_begins_where_and_when_the_last_one_ended(place, plan):
    for crew in document(plan, place)["crews"]:
        assert crew["legs"]
        for before, after in pairwise(crew["legs"]):
            assert before["to"] == after["from"]
            assert before["starts_at"] <= after["starts_at"]


def test_each_crew_starts_and_ends_at_the_depot_within_its_hours(place, plan):
    depot, _ = depot_of(place.register)
    for crew in document(plan, place)["crews"]:
        assert crew["legs"][0]["from"] == list(depot)
        assert crew["legs"][-1]["to"] == list(depot)
        assert 0 < crew["hours"] <= 4.0 + 1e-6


def test_it_looks_in_the_dark_only_and_not_before_lamps_have_run_up(place, plan):
    told = document(plan, place)
    first, last = (datetime.fromisoformat(told[k]) for k in ("dark_from", "dark_until"))
    for crew in told["crews"]:
        times = [datetime.fromisoformat(leg["starts_at"]) for leg in crew["legs"]]
        looks = [
            t for t, leg in zip(times, crew["legs"], strict=True) if leg["looking"]
        ]
        assert looks[0] >= first + timedelta(minutes=15) - timedelta(seconds=1)
        assert times[0] >= first - timedelta(seconds=1)
        assert times[0] + timedelta(hours=crew["hours"]) <= last


def test_no_leg_is_faster_than_its_road_nor_than_25_km_h_while_looking(place, plan):
    roads = place.register.known.roads.set_index("road_id")
    for crew in plan.crews:
        for leg, after in pairwise(crew.legs):
            seconds = (after.starts_at - leg.starts_at) / SECOND
            kmh = leg.length_m / seconds * 3.6
            limit = 25.0 if leg.looking else 200.0
            if leg.road_id:
                limit = min(limit, float(roads.at[leg.road_id, "speed_kmh"]))
            assert kmh <= limit * 1.001


def test_legs_run_along_their_roads_and_one_way_streets_one_way(place, plan):
    roads = place.register.known.roads.set_index("road_id")
    for crew in plan.crews:
        for leg in crew.legs:
            if leg.road_id is None:
                continue
            line = np.array(roads.at[leg.road_id, "geometry"].coords)[:, :2]
            near = metres(line[:, None, :], np.array(leg.line)[None]).min(axis=0)
            assert near.max() < 1.0
            if roads.at[leg.road_id, "one_way"] == "true":
                ends = [metres(line, p).argmin() for p in (leg.line[0], leg.line[-1])]
                assert ends[0] < ends[1]


def test_finds_add_up_and_no_street_is_looked_at_twice(place, plan):
    told = document(plan, place)
    looked = [light for c in plan.crews for leg in c.legs for light in leg.lights]
    assert len(looked) == len(set(looked))
    for crew in told["crews"]:
        assert crew["expected_found"] == pytest.approx(
            sum(leg["expected_found"] for leg in crew["legs"])
        )
        assert all(
            leg["expected_found"] == 0 for leg in crew["legs"] if not leg["looking"]
        )
    assert told["expected_found"] == pytest.approx(
        sum(crew["expected_found"] for crew in told["crews"])
    )
    assert 0 < told["expected_found"] < len(looked)


def test_what_was_reported_already_is_no_find(place):
    """What their reports tell of others on the same feed is left out."""
    found = [replace(one, dark={}) for one in outages(place)]
    told = {x for one in found if one.symptom == "out" for x in one.reported}
    assert told
    standing = place.register.standing
    roads = standing.set_index("light_id").loc[sorted(told), "road_id"]
    order = Order(NIGHT, must_visit=tuple(roads))
    with_them = plan_patrol(place, order, found, seconds=0)
    without = plan_patrol(place, order, (), seconds=0)
    legs = [leg for crew in without.crews for leg in crew.legs if told & {*leg.lights}]
    again = [
        leg for crew in with_them.crews for leg in crew.legs if told & {*leg.lights}
    ]
    assert legs
    assert sum(leg.found for leg in again) < sum(leg.found for leg in legs)


def test_the_sheet_has_the_cautions_and_every_street_in_order(place, plan):
    known = place.register.known
    page = patrol_sheet(plan, known.lights, known.clock, "Town & <Country>")
    assert "The driver never types" in page
    assert "Town &amp; &lt;Country&gt;" in page
    for caution in CAUTIONS:
        assert caution.replace("'", "&#39;") in page
    assert not re.search(r"(src|href)=", page)
    boxes = page.count('<span class="box">')
    said = patrol_text(plan, known.clock)
    lines = [row for row in said.splitlines() if re.match(r"  \d\d:\d\d", row)]
    assert boxes == len(lines)
    assert all(caution.split(":")[0] in " ".join(said.split()) for caution in CAUTIONS)


def test_the_track_and_the_calendar_entry_are_the_route_and_its_hours(place, plan):
    from xml.etree import ElementTree

    known = place.register.known
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    crew: CrewPlan = plan.crews[0]
    root = ElementTree.fromstring(gpx(crew, "patrol <1> & more"))
    assert root.get("version") == "1.1"
    assert root.find("g:trk/g:name", space).text == "patrol <1> & more"
    points = root.findall("g:trk/g:trkseg/g:trkpt", space)
    assert len(points) == sum(len(leg.line) for leg in crew.legs)
    assert float(points[0].get("lat")) == pytest.approx(plan.depot[1], abs=1e-6)
    times = [point.find("g:time", space).text for point in points]
    assert times == sorted(times)
    parsed = Calendar.from_ical(calendar(plan, known.clock, "Town", known.as_of))
    events = parsed.walk("VEVENT")
    assert len(events) == len(plan.crews)
    begins, ends = events[0]["DTSTART"].dt, events[0]["DTEND"].dt
    assert (ends - begins).total_seconds() / 3600 == pytest.approx(
        crew.hours, abs=0.001
    )
    assert CAUTIONS[0] in events[0]["DESCRIPTION"]


def test_the_map_loads_nothing_and_is_the_same_each_time(place, plan):
    clock = place.register.known.clock
    page = patrol_map(plan, clock, "Town")
    assert page == patrol_map(plan, clock, "Town")
    assert "default-src 'none'" in page
    assert not re.search(r"<(?:script|link|img)[^>]+(?:src|href)=", page)
    assert CAUTIONS[0] in page
    looked = sum(leg.looking for crew in plan.crews for leg in crew.legs)
    assert page.count("L.polyline(") >= looked


def test_a_patrol_s_own_document_says_which_roads_a_crew_has_driven(place, plan):
    told = document(plan, place)
    for number in (1, 2):
        roads = roads_driven(told, number)
        assert roads == plan.roads_looked_at([number - 1])
        assert roads_driven(told, number, roads[3]) == roads[:4]
    for crew, until in ((0, ""), (3, ""), (1, "nowhere")):
        with pytest.raises(NotUnderstood):
            roads_driven(told, crew, until)
    with pytest.raises(NotUnderstood):
        roads_driven({"crews": "none"}, 1)
