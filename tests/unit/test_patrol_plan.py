"""Orders of all kinds, answered: what cannot be done is said, not guessed."""

from __future__ import annotations

from datetime import date

import pytest

from lightwatch.decisions.patrol import Order, PatrolPlan, plan_patrol
from lightwatch.errors import NotUnderstood, UnknownAsset
from lightwatch.lives import Lives, lives
from lightwatch.nights import DAY
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from reports.patrol import patrol_document, patrol_text
from reports.patrol_sheet import patrol_sheet
from tests.small_city import small_city
from tests.towns import little_town, new_store, take_in

NIGHT = date(2025, 11, 1)
SMALL = date(2020, 1, 1)


@pytest.fixture(scope="module")
def village(tmp_path_factory) -> Lives:
    store = open_store(small_city(tmp_path_factory.mktemp("city")))
    return lives(Register(Known(store, default_as_of(store))))


def little(folder, **changes) -> Lives:
    store = new_store(folder)
    take_in(store, little_town(folder / "package", **changes))
    return lives(Register(Known(store, default_as_of(store))))


def planned(place: Lives, night: date = NIGHT, **more) -> PatrolPlan:
    return plan_patrol(place, Order(night, **more), seconds=0)


def said(plan: PatrolPlan) -> str:
    return " ".join(plan.notes)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"crews": 0}, "0 crews"),
        ({"crews": -2}, "-2 crews"),
        ({"hours": 0.0}, "0 hours"),
        ({"hours": float("inf")}, "inf hours"),
        ({"hours": float("nan")}, "nan hours"),
        ({"look_kmh": 40.0}, "40 km/h"),
        ({"kind": "dusk"}, "'dusk'"),
        ({"seen_within_days": 0.0}, "seen within"),
        ({"weights": {"L1": -1.0}}, "weight of L1"),
    ],
)
def test_an_order_that_makes_no_sense_is_refused(more, words):
    with pytest.raises(NotUnderstood, match=words):
        Order(NIGHT, **more)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"must_visit": ("R000001", "R9X")}, "must-visit list: 'R9X'"),
        ({"closed": ("nowhere",)}, "closed list: 'nowhere'"),
        ({"both_sides": ("nowhere",)}, "both-sides list: 'nowhere'"),
        ({"weights": {"L9X": 2.0}}, "weights list: 'L9X'"),
    ],
)
def test_what_is_not_on_record_is_named(village, more, words):
    with pytest.raises(UnknownAsset, match=words):
        planned(village, **more)


def test_hours_longer_than_the_darkness_are_cut_and_that_is_said(village):
    plan = planned(village, date(2025, 6, 20), hours=30.0)
    assert "30 h were asked for; cut to" in said(plan)
    assert all(crew.hours <= plan.dark.hours for crew in plan.crews)


def test_a_start_inside_the_night_is_kept_and_one_outside_moved(village):
    clock = village.register.known.clock
    kept = planned(village, starts="22:30", hours=1.0)
    assert clock.written(kept.crews[0].legs[0].starts_at)[:16] == "2025-11-01T22:30"
    late = planned(village, starts="01:15", hours=1.0)
    assert clock.written(late.crews[0].legs[0].starts_at)[:16] == "2025-11-02T01:15"
    moved = planned(village, starts="15:00", hours=1.0)
    assert "not inside the time" in said(moved)
    with pytest.raises(NotUnderstood, match="HH:MM"):
        planned(village, starts="soon")


def test_what_was_asked_for_is_driven_though_it_finds_little(village):
    standing = village.register.standing
    usual = planned(village, hours=0.4).roads_looked_at()
    reached = planned(village, hours=8.0).roads_looked_at()
    wanted = next(road for road in reached if road not in usual)
    light = standing.loc[standing["road_id"] == wanted, "light_id"].iloc[0]
    for name in (wanted, light):
        assert (
            wanted in planned(village, hours=0.4, must_visit=(name,)).roads_looked_at()
        )


def test_closed_roads_are_not_driven_and_their_lights_told_of(village):
    first = planned(village)
    closed = first.roads_looked_at()[:3]
    plan = planned(village, closed=closed)
    driven = {leg.road_id for crew in plan.crews for leg in crew.legs}
    assert not driven & set(closed)
    assert "lights stand on closed roads" in said(plan)


def test_a_road_too_wide_to_see_across_is_looked_at_once_a_side(village):
    wide = planned(village).roads_looked_at()[:4]
    plan = planned(village, both_sides=wide)
    looks = [leg for c in plan.crews for leg in c.legs if leg.looking]
    for road in wide:
        own = [leg for leg in looks if leg.road_id == road]
        lights = [light for leg in own for light in leg.lights]
        assert len(lights) == len(set(lights))
        for one in own:
            for other in own:
                if one is not other and {*one.line} == {*other.line}:
                    assert one.line == other.line[::-1]


def test_no_street_stays_unseen_too_long_and_the_cost_is_told(village):
    from lightwatch.decisions.patrol.duties import last_seen

    at_day = village.register.as_of / DAY
    unseen = at_day - last_seen(village.register)
    limit = float(unseen.quantile(0.7))
    plan = planned(village, seen_within_days=limit, hours=6.0)
    roads = village.register.standing.set_index("light_id")["road_id"]
    due = set(roads[unseen[unseen > limit + 2].index])
    assert due <= set(plan.roads_looked_at())
    assert plan.rotation_cost is not None
    assert plan.rotation_cost >= 0.0
    short = planned(village, seen_within_days=1.0, hours=0.3)
    assert "unseen for too long do not fit" in said(short)
    assert short.rotation_cost > 0.0
    assert "costs" in patrol_text(short, village.register.known.clock)


def test_a_light_that_matters_more_is_visited_rather(village):
    usual = planned(village, hours=0.3)
    seen = {x for c in usual.crews for leg in c.legs for x in leg.lights}
    full = planned(village, hours=8.0)
    reached = [x for c in full.crews for leg in c.legs for x in leg.lights]
    rest = [light for light in reached if light not in seen]
    plan = planned(village, hours=0.3, weights={rest[0]: 1e5})
    assert rest[0] in {x for c in plan.crews for leg in c.legs for x in leg.lights}


def test_a_day_patrol_is_driven_by_day_for_lights_that_burn(village):
    plan = planned(village, kind="day")
    clock = village.register.known.clock
    leaves = clock.at(plan.crews[0].legs[0].starts_at)
    assert (leaves.date(), leaves.hour) == (NIGHT, 9)
    assert plan.found > 0
    told = patrol_document(plan, clock)
    assert told["dark_from"] is None
    assert told["light_from"] < told["light_until"]
    assert "burning by day" in patrol_text(plan, clock)


def test_without_roads_lights_are_visited_by_clusters_and_that_is_said(tmp_path):
    place = little(tmp_path, roads=None)
    plan = planned(place, SMALL)
    assert "no roads file" in said(plan)
    legs = [leg for crew in plan.crews for leg in crew.legs]
    assert all(leg.road_id is None for leg in legs)
    looked = {light for leg in legs for light in leg.lights}
    assert looked == set(place.register.standing["light_id"])


def test_a_town_in_parts_is_planned_where_one_can_drive_and_the_rest_told_of(tmp_path):
    plan = planned(little(tmp_path), SMALL)
    assert "cannot be driven to" in said(plan)


def test_a_depot_off_the_network_is_snapped_and_its_distance_told(tmp_path):
    depot = {"longitude": 15.70, "latitude": 47.32}
    plan = planned(little(tmp_path, place={"depot": depot}), SMALL)
    assert "m off the network" in said(plan)
    first = plan.crews[0].legs[0]
    assert first.road_id is None
    assert first.line[0] == (15.70, 47.32)


def test_a_depot_too_far_to_reach_leaves_the_crew_at_home(tmp_path):
    depot = {"longitude": 25.0, "latitude": 47.32}
    place = little(tmp_path, place={"depot": depot})
    plan = planned(place, SMALL)
    assert "no time, or no street" in said(plan)
    assert [crew.legs for crew in plan.crews] == [()]
    known = place.register.known
    page = patrol_sheet(plan, known.lights, known.clock, "Little Town")
    assert "No street to drive" in page


def test_no_depot_on_record_is_said(tmp_path):
    plan = planned(little(tmp_path, place={"depot": None}), SMALL)
    assert "No depot is on record" in said(plan)


def test_a_night_that_does_not_get_dark_has_a_clear_answer(tmp_path):
    north = {
        "timezone": "Europe/Oslo",
        "depot": {"longitude": 18.96, "latitude": 69.65},
    }
    place = little(tmp_path, place=north)
    plan = planned(place, date(2020, 6, 1))
    told = patrol_document(plan, place.register.known.clock)
    assert told["dark_from"] is None
    assert told["crews"] == []
    assert told["expected_found"] == 0
    assert "does not get dark" in told["note"]
    page = patrol_sheet(
        plan, place.register.known.lights, place.register.known.clock, "N"
    )
    assert "does not get dark" in page


def test_a_night_over_a_clock_change_prints_both_offsets(village):
    plan = planned(village, date(2025, 10, 25), starts="01:45", hours=3.0)
    assert "repeated by a clock change" in said(plan)
    told = patrol_document(plan, village.register.known.clock)
    assert told["dark_from"].endswith("+01:00")
    assert told["dark_until"].endswith("+00:00")
    offsets = {leg["starts_at"][-6:] for crew in told["crews"] for leg in crew["legs"]}
    assert offsets == {"+00:00", "+01:00"}
