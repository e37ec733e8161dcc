"""The second simulator keeps its own laws, and its presets change what they name."""

from __future__ import annotations

from functools import cache

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import poisson

from lightwatch.decisions.patrol.network import network
from tests.rough_town import PRESETS, RoughTown, rough_town
from tests.rough_town.driving import unknown_at
from tests.rough_town.laws import LAWS, NUMBER, frailty, hazard
from tests.rough_town.rules import YEAR, stream
from tests.rough_town.streets import build
from tests.rough_town.watching import watch

LIGHTS = 1200
TRUE = ("own", "feeds", "intervals", "hazards", "reports", "sightings")


@cache
def town(preset: str) -> RoughTown:
    return rough_town(7, preset, lights=LIGHTS)


def test_a_hazard_adds_up_to_its_life() -> None:
    law = NUMBER["lamp", "hps"]
    many = np.array([law])
    total, _ = quad(lambda a: hazard(many, np.array([a * YEAR]))[0], 0.01, 12)
    assert total == pytest.approx((12 / 9.0) ** 2.6 + 0.01 * 12, rel=1e-3)


def test_frailty_has_mean_one() -> None:
    drawn = frailty(stream(1, "frailty"), 200_000, 0.45)
    assert drawn.mean() == pytest.approx(1.0, abs=4 * drawn.std() / 200_000**0.5)


@pytest.mark.parametrize("preset", ["clean", "bad"])
def test_failures_match_the_stated_hazards(preset: str) -> None:
    rows = town(preset).truth.hazards
    assert len(rows) == len(LAWS)
    assert (rows["expected"] > 3).all()
    assert rows["failures"].sum() > 1000
    for row in rows.itertuples():
        assert poisson.cdf(row.failures, row.expected) > 1e-4, row
        assert poisson.sf(row.failures - 1, row.expected) > 1e-4, row


def test_the_expected_failures_follow_weather() -> None:
    wet = town("clean")
    wetter = wet.written.tables["weather"]["rain_mm"] >= 1
    parts = wet.truth.own
    day = parts.loc[parts["type"] == "thermal", "start"].astype(int).clip(0, 2921)
    shares = wetter.groupby(np.arange(len(wetter)) // 10).mean()
    assert shares.iloc[day // 10].mean() > wetter.mean()


@pytest.mark.parametrize("preset", ["lost", "drawings"])
def test_papers_and_drawings_leave_the_truth_alone(preset: str) -> None:
    for name in TRUE:
        pd.testing.assert_frame_equal(
            getattr(town("clean").truth, name), getattr(town(preset).truth, name)
        )


def test_lost_papers_leave_the_drawings_alone_and_drawings_the_papers() -> None:
    clean = town("clean").written.tables
    for name in ("lights", "circuits", "sections", "components", "reports", "patrols"):
        pd.testing.assert_frame_equal(clean[name], town("lost").written.tables[name])
    drawn = town("drawings").written.tables
    for name in ("components", "reports", "patrols", "sightings", "weather"):
        pd.testing.assert_frame_equal(clean[name], drawn[name])
    pd.testing.assert_frame_equal(
        clean["repairs"].drop(columns="section_id"),
        drawn["repairs"].drop(columns="section_id"),
    )


def test_presets_are_as_rough_as_they_say() -> None:
    rules, lights = PRESETS["drawings"], town("drawings").written.tables["lights"]
    blank = (lights["circuit_id"] == "").mean()
    assert blank == pytest.approx(rules.no_circuit, abs=0.03)
    truth = town("drawings").truth
    wrong = (truth.recorded_circuit >= 0) & (truth.recorded_circuit != truth.circuit)
    assert wrong.mean() == pytest.approx(rules.wrong_circuit, abs=0.02)
    gone = 1 - len(town("drawings").written.tables["sections"]) / len(lights)
    assert gone == pytest.approx(rules.no_section, abs=0.03)
    rules, rows = PRESETS["lost"], town("lost").written.tables["repairs"]
    before = town("clean").written.tables["repairs"]
    numbered = (rows["report_id"] != "").sum() / (before["report_id"] != "").sum()
    assert numbered == pytest.approx(1 - rules.no_number, abs=0.04)
    nameless = (rows["light_id"] == "").mean() - (before["light_id"] == "").mean()
    assert nameless == pytest.approx(rules.no_light, abs=0.03)
    took = pd.to_datetime(rows["recorded_at"]) - pd.to_datetime(rows["performed_at"])
    assert (took > pd.Timedelta(days=4)).mean() > rules.late / 2


def test_a_clean_record_holds_every_failure_once() -> None:
    one = town("clean")
    truth, rows = one.truth, one.truth.repairs
    mended = ~rows["wrong"] & (rows["action"] != "no_fault_found")
    right = rows[mended & rows["trouble"].str.startswith("own")]
    ended = truth.own[truth.own["end"] < truth.days - 10]
    assert set(ended.index) <= set(right["trouble"].str[4:].astype(int))
    assert right["trouble"].is_unique
    for kind, number in ended["kind"].value_counts().items():
        said = (right["cause"] == kind) & (right["at"] < truth.days - 10)
        assert said.sum() == number, kind


def test_what_is_dark_is_what_open_faults_darken() -> None:
    truth = town("bad").truth
    storm = float(truth.storms["start"].iloc[0]) + 0.05
    for day in (storm, 700.3, 1500.9, 2600.5):
        own = truth.own[(truth.own["symptom"] == "out") & (truth.own["start"] <= day)]
        mended = own["wrong_at"].notna() & (own["wrong_at"] <= day) & (
            own["back"] > day)  # fmt: skip
        dark = set(own.loc[(own["end"] > day) & ~mended, "light"])
        for fault in truth.feeds_at(day).index:
            dark |= set(truth.feed_lights[fault].tolist())
        for number in truth.storms_at(day).index:
            dark |= set(truth.storm_lights[number].tolist())
        assert dark
        assert set(truth.dark_at(day).tolist()) == dark


def test_storms_are_compact_short_and_of_many_circuits() -> None:
    one = town("bad")
    storms, streets = one.truth.storms, one.streets
    hours = (storms["end"] - storms["start"]) * 24
    assert hours.between(6, 48).all()
    assert 0 < storms["written"].mean() < 1
    for lights in one.truth.storm_lights:
        assert len(set(streets.circuit[lights].tolist())) >= 2
        assert np.ptp(streets.x[lights]) < 3500
        assert len(lights) >= 10


def test_districts_tell_five_times_as_often_as_others() -> None:
    streets = build(stream(3, "streets"), 5400)
    nightly = pd.Series(watch(streets, stream(3, "watch"), 80).nightly)
    means = nightly.groupby(streets.district).mean()
    assert 3 < means.max() / means.min() < 12


def test_a_wrong_first_repair_changes_a_good_part_and_trouble_comes_back() -> None:
    truth = town("clean").truth
    wrong = truth.wrong_repairs
    own = wrong[wrong["trouble"].str.startswith("own")]
    assert len(own) > 20
    assert (own["back"] - own["at"]).between(3, 40).all()
    faulty = truth.own["kind"].reindex(own["trouble"].str[4:].astype(int)).to_numpy()
    assert (own["cause"].to_numpy() != faulty).all()


def test_the_same_seed_is_the_same_town() -> None:
    again = rough_town(7, "bad", lights=LIGHTS).written.tables
    for name, table in town("bad").written.tables.items():
        pd.testing.assert_frame_equal(table, again[name])


def test_every_light_can_be_driven_to() -> None:
    frame = gpd.GeoDataFrame.from_features(town("clean").written.roads, crs=4326)
    net = network(frame)
    assert len(net.in_main()) == net.in_main().sum()
    assert {"R00000", "X00000"} <= set(net.road_id)


def test_unknown_is_dark_and_not_told_of_since() -> None:
    truth = town("clean").truth
    day = truth.days - 200.0
    unknown = set(unknown_at(truth, day).tolist())
    assert unknown
    assert unknown < set(truth.dark_at(day).tolist())
    own = truth.own[truth.own["symptom"] == "out"]
    waiting = own[(own["start"] <= day) & (own["noticed"] > day)]
    assert len(set(waiting["light"]) - unknown) <= 0.2 * len(waiting)
    noted = own[(own["noticed"] < day) & (own["end"] > day) & ~own["by_report"]]
    assert not unknown & set(noted["light"])
