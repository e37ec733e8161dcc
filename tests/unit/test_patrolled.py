"""A patrol that came back: kept once, or refused whole; it changes what comes next."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from lightwatch.decisions.patrol import Order, PatrolPlan, plan_patrol
from lightwatch.decisions.triage import Outage, outages
from lightwatch.errors import Conflict, LightwatchError, NotUnderstood
from lightwatch.lives import Lives, lives
from lightwatch.observations.export import export
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.observations.patrolled import Patrolled, Seen, log_patrol
from lightwatch.register import Register
from lightwatch.store import Store, open_store
from tests.small_city import small_city
from tests.towns import little_town, new_store, take_in

NOW = "2020-01-01T09:00"
START = "2019-12-30T21:00"


@pytest.fixture
def town(tmp_path) -> Store:
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "package"))
    return store


def known(store: Store) -> Known:
    return Known(store, default_as_of(store))


def log(store: Store, patrol: Patrolled, now: str = NOW):
    at = known(store).clock.instant(now)
    return log_patrol(store, patrol, now=at, said_by="crew-1")


def rows(store: Store) -> dict[str, int]:
    return {name: len(list(store.rows(name))) for name in
            ("patrols", "sightings", "reports")}  # fmt: skip


def test_roads_driven_and_lights_seen_are_kept_and_the_rest_counts_as_lit(town):
    before = rows(town)
    seen = [Seen("L01"), Seen("L02", "cycling", "2019-12-30T21:20")]
    done = log(town, Patrolled("NX", START, ["R1", "R2"], seen))
    assert (done.already, done.roads, done.sightings, done.reports) == (False, 2, 2, 0)
    after = rows(town)
    assert after["patrols"] == before["patrols"] + 2
    assert after["sightings"] == before["sightings"] + 2
    sighted = known(town).sightings
    own = sighted[sighted["patrol_id"] == "NX"].set_index("light_id")
    assert own["state"].to_dict() == {"L01": "out", "L02": "cycling"}


def test_sent_again_it_changes_nothing_and_another_under_its_key_is_refused(town):
    patrol = Patrolled("NX", START, ["R1"], [Seen("L01")])
    log(town, patrol)
    before = rows(town)
    assert log(town, patrol).already
    assert rows(town) == before
    for other in (
        Patrolled("NX", START, ["R1", "R2"], [Seen("L01")]),
        Patrolled("NX", START, ["R1"], [Seen("L02")]),
        Patrolled("NX", START, ["R1"]),
    ):
        with pytest.raises(Conflict, match="key of its own"):
            log(town, other)
    assert rows(town) == before


def test_a_road_not_seen_well_says_nothing_of_the_lights_not_named(town):
    before = rows(town)
    done = log(
        town,
        Patrolled("NX", START, ["R1", "R2"], [Seen("L04"), Seen("L01")], {"R2": "fog"}),
    )
    assert (done.roads, done.sightings, done.reports) == (1, 1, 1)
    kept = known(town)
    assert set(kept.patrols.loc[kept.patrols["patrol_id"] == "NX", "road_id"]) == {"R1"}
    report = kept.reports[kept.reports["report_id"].str.startswith("NX")]
    assert list(report["light_id"]) == ["L04"]
    assert rows(town)["reports"] == before["reports"] + 1


def test_a_patrol_wholly_in_fog_keeps_what_was_seen_and_claims_nothing(town):
    patrol = Patrolled("NX", START, [], [Seen("L04")], {"R1": "snow", "R2": "snow"})
    done = log(town, patrol)
    assert (done.roads, done.sightings, done.reports) == (0, 0, 1)
    assert log(town, patrol).already


@pytest.mark.parametrize(
    ("patrol", "words"),
    [
        (Patrolled("NX", START, ["R9"]), "'R9' is not in roads"),
        (Patrolled("NX", START, ["R1"], [Seen("L99")]), "'L99' is not in lights"),
        (Patrolled("NX", START, ["R1"], [Seen("L01", "blue")]), "state is not in"),
        (Patrolled("NX", "last night", ["R1"]), "started_at is not a time"),
        (Patrolled("NX", "2020-02-01T21:00", ["R1"]), "later than now"),
        (
            Patrolled("NX", START, ["R1"], [Seen("L01", "out", "2019-12-31T21:00")]),
            "after the patrol was over",
        ),
        (Patrolled("NX", START, ["R1"], kind="dusk"), "kind is not in"),
    ],
)
def test_what_breaks_a_rule_is_refused_whole(town, patrol, words):
    before = rows(town)
    with pytest.raises(LightwatchError, match=words):
        log(town, patrol)
    assert rows(town) == before


def test_a_patrol_of_nothing_or_without_a_key_is_refused():
    with pytest.raises(NotUnderstood, match="nothing to record"):
        Patrolled("NX", START, [])
    with pytest.raises(NotUnderstood, match="key"):
        Patrolled(" ", START, ["R1"])


def test_a_recorded_patrol_goes_out_and_comes_in_again(town, tmp_path):
    log(town, Patrolled("NX", START, ["R1"], [Seen("L01")], {"R2": "rain"}))
    export(town, tmp_path / "out")
    again = new_store(tmp_path, "again.db")
    outcome = take_in(again, tmp_path / "out", now=default_as_of(town) + 10**9)
    assert outcome.rejects == []
    assert rows(again) == rows(town)
    assert Package.open(tmp_path / "out").place["name"] == "Little Town"


def judged(store: Store, as_of: int) -> tuple[Lives, list[Outage]]:
    lived = lives(Register(Known(store, as_of)))
    return lived, outages(lived)


def planned(store: Store, night: date, hours: float) -> tuple[PatrolPlan, Lives]:
    clock = known(store).clock
    noon = clock.instant(f"{night.isoformat()}T12:00")
    lived, found = judged(store, min(noon, default_as_of(store)))
    return plan_patrol(lived, Order(night, hours=hours), found, seconds=0), lived


def test_planning_driving_and_recording_changes_triage_and_the_next_plan(tmp_path):
    """A light made up to be out is found, told by triage, and drawn from the next
    plan, which goes where this patrol did not look."""
    store = open_store(small_city(tmp_path))
    night = known(store).clock.at(default_as_of(store)).date()
    first, lived = planned(store, night, 0.2)
    looked = first.roads_looked_at()
    crew = first.crews[0]
    lights = [light for leg in crew.legs for light in leg.lights]
    open_now = {light for one in outages(lived) for light in one.reported}
    rng = np.random.default_rng(1)
    dark = str(rng.choice([light for light in lights if light not in open_now]))
    clock = known(store).clock
    started = clock.written(crew.legs[0].starts_at)
    log_patrol(
        store,
        Patrolled("TONIGHT", started, looked, [Seen(dark)]),
        now=(crew.ends_at or 0) + 3600 * 10**6,
        said_by="crew-1",
    )
    second, after = planned(store, night + timedelta(days=1), 0.2)
    told = {light: one for one in outages(after) for light in one.reported}
    assert told[dark].symptom == "out"
    again = set(second.roads_looked_at()) & set(looked)
    assert len(again) < len(looked) / 2
    roads = [leg for c in second.crews for leg in c.legs if dark in leg.lights]
    assert all(leg.found < 0.5 for leg in roads)
    assert second.found < first.found


def test_a_patrol_broken_off_leaves_the_rest_for_the_next_night(tmp_path):
    store = open_store(small_city(tmp_path))
    night = known(store).clock.at(default_as_of(store)).date()
    first, _ = planned(store, night, 0.5)
    looked = first.roads_looked_at()
    half = looked[: len(looked) // 2]
    started = known(store).clock.written(first.crews[0].legs[0].starts_at)
    log_patrol(
        store,
        Patrolled("HALF", started, half),
        now=(first.crews[0].ends_at or 0) + 3600 * 10**6,
        said_by="crew-1",
    )
    second, _ = planned(store, night + timedelta(days=1), 0.5)
    next_time = set(second.roads_looked_at())
    assert len(next_time & set(half)) < len(next_time & set(looked[len(half) :]))
