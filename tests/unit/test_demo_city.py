"""The demo city: its package is sound, and its records agree with its truth."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from demo_city import City, Parameters, simulate
from demo_city.days import YEAR_DAYS, Calendar
from demo_city.hazards import Hazards, hazards_of
from demo_city.noticing import OUT
from demo_city.parameters import Batch, Life
from demo_city.simulating import Records, live
from demo_city.weather import climate
from lightwatch import words
from lightwatch.nights import LocalTime
from lightwatch.nights.darkness import Place

SEED = 7


@pytest.fixture(scope="module")
def city() -> City:
    return simulate(Parameters.city(), SEED)


@pytest.fixture(scope="module")
def records() -> Records:
    return live(replace(Parameters.city(), lights=1500), SEED)


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("package")
    simulate(Parameters.small(), SEED).write(folder)
    return folder


@pytest.mark.filterwarnings("ignore")
def test_the_package_is_valid_with_keys_and_references(
    package: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frictionless = pytest.importorskip("frictionless")
    monkeypatch.chdir(package)
    described = frictionless.Package("datapackage.json")
    detector = frictionless.Detector(schema_sync=True)
    for resource in described.resources:
        resource.detector = detector
    report = described.validate()
    assert report.flatten(["title", "rowNumber", "fieldName", "note"]) == []
    assert report.valid
    assert len(report.tasks) == len(words.resources())


def test_the_same_seed_gives_the_same_bytes_and_another_does_not(
    package: Path, tmp_path: Path
) -> None:
    simulate(Parameters.small(), SEED).write(tmp_path / "again")
    simulate(Parameters.small(), SEED + 1).write(tmp_path / "other")
    for file in sorted(package.iterdir()):
        assert (tmp_path / "again" / file.name).read_bytes() == file.read_bytes()
    repairs = (package / "repairs.csv").read_bytes()
    assert (tmp_path / "other" / "repairs.csv").read_bytes() != repairs


LEFT = {
    ("lights", "feed"),
    ("reports", "closed_at"),
    ("reports", "closed_as"),
    ("reports", "duplicate_of"),
}
"""For offices that have no circuits or no repairs on record; the city has both."""


def test_the_package_holds_the_format_and_nothing_of_the_truth(package: Path) -> None:
    expected = {resource.path for resource in words.resources().values()}
    assert {p.name for p in package.iterdir()} == expected | {"datapackage.json"}
    for name, resource in words.resources().items():
        if resource.fields:
            text = (package / resource.path).read_text("utf-8")
            assert "\r" not in text
            columns = tuple(one for one in resource.columns if (name, one) not in LEFT)
            assert tuple(text.split("\n", 1)[0].split(",")) == columns, name


def test_the_place_says_who_when_and_where(package: Path) -> None:
    described = json.loads((package / "datapackage.json").read_text("utf-8"))
    place = described["lightwatch:place"]
    assert place["name"] == "Ambrellow"
    assert place["opened_on"] == "2015-11-01"
    assert described["created"] == "2025-11-01T06:00:00+00:00"
    assert -3.5 < place["depot"]["longitude"] < -3.3


def test_every_column_of_the_format_is_filled_somewhere(city: City) -> None:
    for name, resource in words.resources().items():
        for column in resource.columns:
            if (name, column) in LEFT:
                continue
            values = city.tables[name][column]
            assert (values.notna() & (values != "")).any(), (
                f"{name}.{column} is empty throughout"
            )


def test_the_city_has_the_size_asked_for(city: City) -> None:
    assert 5900 <= len(city.tables["lights"]) <= 6000
    assert 15_000 < len(city.tables["repairs"]) < 40_000
    assert len(simulate(Parameters.small(), SEED).tables["lights"]) in range(280, 301)


def test_nothing_happens_after_the_export_or_before_its_cause(city: City) -> None:
    created = "2025-11-01T06:00"
    repairs, reports = city.tables["repairs"], city.tables["reports"]
    assert reports["received_at"].max() < created
    assert repairs["recorded_at"].max() < created
    assert (repairs["performed_at"] < repairs["recorded_at"]).all()
    assert city.tables["sightings"]["seen_at"].max() < created
    answered = repairs[repairs["report_id"] != ""]
    received = reports.set_index("report_id")["received_at"]
    asked = received.reindex(answered["report_id"]).to_numpy()
    assert (asked < answered["performed_at"].to_numpy()).all()


def test_a_correction_follows_what_it_corrects(city: City) -> None:
    repairs = city.tables["repairs"].set_index("repair_id")
    corrections = repairs[repairs["supersedes"] != ""]
    old = repairs.loc[corrections["supersedes"]]
    assert len(corrections) > 50
    assert (old["recorded_at"].to_numpy() < corrections["recorded_at"]).all()
    assert (old["performed_at"].to_numpy() == corrections["performed_at"]).all()
    spoilt = (old["light_id"].to_numpy() != corrections["light_id"]) | (
        old["volts"].to_numpy() == 23.0
    )
    assert spoilt.all()


def test_no_time_falls_in_an_hour_that_the_clocks_skip_or_repeat(city: City) -> None:
    for name, column in (
        ("repairs", "performed_at"),
        ("repairs", "recorded_at"),
        ("reports", "received_at"),
        ("sightings", "seen_at"),
    ):
        local = pd.to_datetime(city.tables[name][column])
        zone = local.dt.tz_localize("Europe/London", ambiguous="raise")
        assert len(zone) == len(local)


def test_roads_reach_each_other_but_for_one_estate(city: City) -> None:
    ends = [
        (
            tuple(road["geometry"]["coordinates"][0]),
            tuple(road["geometry"]["coordinates"][-1]),
            road["properties"]["one_way"],
        )
        for road in city.roads
    ]
    node = {xy: i for i, xy in enumerate(dict.fromkeys(e for r in ends for e in r[:2]))}
    pairs = [(node[a], node[b]) for a, b, _ in ends]
    pairs += [(node[b], node[a]) for a, b, one_way in ends if not one_way]
    start, end = np.array(pairs).T
    graph = coo_array((np.ones(start.size), (start, end)), shape=(len(node),) * 2)
    count, label = connected_components(graph, directed=True, connection="strong")
    assert count == 2
    assert np.sort(np.bincount(label))[0] == 9
    assert sum(one_way for *_, one_way in ends) > 20
    degree = np.bincount(np.concatenate([start, end]))
    assert (degree == 2).sum() > 20, "a dead end is driven in and out"


def test_sections_form_trees_whose_far_ends_the_lights_hang_on(city: City) -> None:
    sections = city.tables["sections"].set_index("section_id")
    upstream = sections["upstream_section_id"]
    inner = upstream[upstream != ""]
    above = sections["circuit_id"].reindex(inner).to_numpy()
    assert (above == sections["circuit_id"].reindex(inner.index)).all()
    at = upstream.copy()
    for _ in range(30):
        at = at.map(upstream).fillna("")
    assert (at == "").all(), "a section feeds itself"
    assert inner.value_counts().max() >= 2, "no branches"
    lights = city.tables["lights"]
    tapped = lights[lights["section_id"] != ""]
    fed_by = sections["circuit_id"].reindex(tapped["section_id"]).to_numpy()
    assert (fed_by == tapped["circuit_id"]).all()
    per_circuit = lights["circuit_id"].value_counts()
    assert 10 <= per_circuit.min() <= per_circuit.max() <= 30


def test_a_faulted_section_darkens_its_own_light_and_all_beyond(
    records: Records,
) -> None:
    feeds = records.world.feeds
    dark: dict[int, set[int]] = {i: set() for i in range(feeds.upstream.size)}
    for light in dark:
        at = light
        while at >= 0:
            dark[at].add(light)
            at = int(feeds.upstream[at])
    holder = np.arange(feeds.upstream.size)
    place, lights = feeds.dark(np.full(holder.size, 2), holder)
    found = pd.Series(lights).groupby(place).agg(set)
    assert found.to_dict() == dark


def test_patrols_see_only_what_is_wrong_and_only_where_they_drive(
    records: Records,
) -> None:
    seen, troubles = records.seen, records.troubles
    begin = troubles["failed_at"].to_numpy()[seen["trouble"]]
    end = troubles["ended_at"].to_numpy()[seen["trouble"]]
    assert ((begin < seen["seen_at"]) & (seen["seen_at"] < end)).all()
    place, dark = records.world.feeds.dark(
        troubles["level"].to_numpy(), troubles["holder"].to_numpy()
    )
    fed = set(zip(place.tolist(), dark.tolist(), strict=True))
    assert set(zip(seen["trouble"], seen["light"], strict=True)) <= fed
    written = simulate(records.world.parameters, SEED).tables
    lights = written["lights"].set_index("light_id")["road_id"]
    sightings, patrols = written["sightings"], written["patrols"]
    road = lights.reindex(sightings["light_id"]).to_numpy()
    covered = pd.MultiIndex.from_frame(patrols[["patrol_id", "road_id"]])
    drove = pd.MultiIndex.from_arrays([sightings["patrol_id"], road])
    assert covered.is_unique
    assert drove.isin(covered).all()


def test_night_patrols_see_known_dark_lights_as_often_as_stated(
    records: Records,
) -> None:
    troubles = records.troubles
    out = (troubles["symptom"] == OUT) & (troubles["level"] == 0)
    told_first = out & (troubles["reported_at"] < troubles["seen_at"])
    some = troubles[told_first]
    night, end = records.world.watch.rounds[0], records.world.calendar.end
    until = np.minimum(some["ended_at"], end).to_numpy()
    light, since = some["holder"].to_numpy(), some["noticed_at"].to_numpy()
    chances = sum(
        ((at > since) & (at < until)).sum()
        for number in range(int(end / night.every) + 2)
        for at in [night.passes(light, np.full(light.size, number))]
    )
    seen = records.seen
    hits = (seen["trouble"].isin(some.index) & (seen["by"] == 0)).sum()
    low, high = stats.binomtest(int(hits), int(chances)).proportion_ci(0.999)
    assert chances > 200
    assert low < 0.95 < high


@pytest.mark.parametrize("by_burning", [False, True])
def test_failures_under_weather_follow_the_stated_hazard(by_burning: bool) -> None:
    parameters = Parameters.small()
    calendar = Calendar(parameters.opened_on, parameters.created, parameters.timezone)
    rng = np.random.default_rng(3)
    place = Place(-1.5, 52.3, LocalTime(parameters.timezone))
    weather = climate(calendar, place, live(parameters, 1).roads, rng)
    shape, scale_days, size = 2.0, 8 * YEAR_DAYS, 4000
    ratio = weather.multiplier(0.04, 0.03, by_burning)
    hazards = Hazards(
        np.full(size, shape),
        np.full(size, scale_days),
        ratio,
        rng.integers(0, 3, size),
        weather.first_month,
    )
    birth = -rng.uniform(0, 5 * YEAR_DAYS, size)
    since, stop = np.zeros(size), np.full(size, calendar.end)
    failed = hazards.failure(birth, since, stop, calendar, rng)
    edges = np.searchsorted(
        calendar.month(np.arange(calendar.end)), np.arange(ratio.shape[1]) + 550
    ).astype(float)
    edges = np.append(edges, calendar.end)
    spent = np.zeros(size)
    for month in range(ratio.shape[1]):
        low, high = (
            np.minimum(failed, edges[month]),
            np.minimum(failed, edges[month + 1]),
        )
        grown = ((high - birth) / scale_days) ** shape
        grown -= ((low - birth) / scale_days) ** shape
        spent += ratio[hazards.station, month] * grown
    happened = int((failed < stop).sum())
    assert weather.first_month == 550, "November 2015"
    assert happened > 1500
    assert abs(happened - spent.sum()) < 3.3 * np.sqrt(happened), "compensator"
    frosty = ratio[hazards.station, :] > np.quantile(ratio, 0.75)
    month = calendar.month(np.minimum(failed, calendar.end - 1)) - 550
    in_frost = frosty[np.arange(size), month] & (failed < stop)
    assert in_frost.sum() / happened > 0.3, "a quarter of the months, more failures"


def test_the_bad_batch_fails_as_much_more_often_as_stated(records: Records) -> None:
    world, batch = records.world, records.world.parameters.batch
    assert batch is not None
    model = np.full(2, world.catalogue.index(batch.model))
    birth = np.array([1000.0, 1400.0])  # summers of 2018 and 2019
    station = np.zeros(2, dtype=np.int64)
    hazards = hazards_of(world, "photocontrol", model, birth, station)
    factor = (hazards.scale_days[0] / hazards.scale_days[1]) ** hazards.shape[0]
    assert factor == pytest.approx(batch.hazard_factor)


def test_programme_units_of_the_bad_year_fail_early(city: City) -> None:
    repairs = city.tables["repairs"].query("component == 'photocontrol'")
    fitted = repairs[repairs["cause"] == "programme"]
    own = repairs[repairs["cause"] == "photocontrol"]
    own = own[~own["repair_id"].isin(city.truth.misdiagnosed)]
    first = own.merge(fitted, on="light_id", suffixes=("", "_fitted"))
    at, since = first["performed_at"], first["performed_at_fitted"]
    age_days = (pd.to_datetime(at) - pd.to_datetime(since)).dt.days
    bad = since.str.startswith("2019")
    early = first[age_days.between(1, 700)].groupby(bad)["light_id"].nunique()
    fitted_bad = fitted["performed_at"].str.startswith("2019")
    share = early / fitted.groupby(fitted_bad).size().to_numpy()
    assert share[True] > 2 * share[False]


@pytest.mark.parametrize("visit_days", [6.0, 120.0])
def test_constant_rates_are_what_a_count_over_time_in_place_gives(
    visit_days: float,
) -> None:
    parameters = replace(Parameters.small(constant_hazards=True), visit_days=visit_days)
    found: dict[tuple[str, str], list[float]] = {}
    for seed in range(12):
        truth = simulate(parameters, seed).truth
        for row in truth.watched.itertuples():
            rate = truth.rate_per_1000(row.kind, row.type)
            sums = found.setdefault((row.kind, row.type), [0.0, 0.0])
            sums[0] += row.failures
            sums[1] += rate * row.unit_years / 1000
    assert len(found) == len(parameters.lives)
    for key, (counted, expected) in found.items():
        tail = stats.poisson.cdf(counted, expected)
        assert 5e-4 < tail < 1 - 5e-4, (key, counted, expected)
    counted, expected = np.sum(list(found.values()), axis=0)
    assert counted == pytest.approx(expected, abs=3 * np.sqrt(expected))


def test_a_rate_is_refused_where_the_hazard_is_not_constant(city: City) -> None:
    with pytest.raises(ValueError, match="no constant hazard"):
        city.truth.rate_per_1000("lamp", "hps")
    with pytest.raises(KeyError, match="no lamp of type lime"):
        city.truth.rate_per_1000("lamp", "lime")


def test_the_log_counts_what_the_truth_says_failed_and_was_mended(city: City) -> None:
    repairs = city.tables["repairs"]
    wrong = repairs["repair_id"].isin(city.truth.misdiagnosed)
    stale = repairs["repair_id"].isin(set(repairs["supersedes"]) - {""})
    real = repairs[~wrong & ~stale & (repairs["action"] == "replaced")]
    counted = real[real["cause"] == real["component"]]["cause"].value_counts()
    mended = city.truth.watched.groupby("kind")["failures"].sum()
    for kind, count in counted.items():
        late = mended[kind] - count
        assert 0 <= late <= 8, (kind, "only the last days' work is not yet recorded")


def test_after_a_wrong_first_repair_the_light_is_reported_again(
    records: Records,
) -> None:
    troubles = records.troubles
    wrong = troubles[troubles["wrong_done"] & troubles["mended"]]
    assert len(wrong) > 50
    gap = wrong["again_at"] - wrong["wrong_at"]
    assert gap.between(0.3, 28).all()
    assert (wrong["repaired_at"] > wrong["again_at"]).all()
    repairs = records.repairs
    tried = repairs[repairs["misdiagnosed"].astype(bool)]
    assert set(tried["proven"]) <= {"not_proven", ""}
    answer = repairs[
        repairs["trouble"].isin(wrong.index) & ~repairs["misdiagnosed"].astype(bool)
    ]
    answer = answer[answer["action"].isin(["replaced", "repaired"])]
    again = records.told["again"].to_numpy()[answer["report"].to_numpy(dtype=int)]
    assert again.all(), "the repair answers the second report"


def test_an_open_buried_cable_fault_stands_with_several_lights_reported(
    city: City,
) -> None:
    truth, reports = city.truth.open_faults, city.tables["reports"]
    cables = truth[truth["cause"] == "cable_fault"]
    told = [
        reports["light_id"].isin(row.dark_light_ids)
        & (reports["received_at"] > row.failed_at)
        for row in cables.itertuples()
    ]
    lights = [reports.loc[which, "light_id"].nunique() for which in told]
    assert max(lights) >= 3
    repairs = city.tables["repairs"]
    for row in cables.itertuples():
        later = repairs[repairs["performed_at"] > row.failed_at]
        done = later[later["section_id"] == row.section_id]
        assert set(done["action"]) <= {"follow_up", "made_safe"}
    burning = truth[truth["symptom"] == "dayburning"]
    assert len(burning) >= 3


def test_others_lights_are_never_repaired_by_us(city: City) -> None:
    lights = city.tables["lights"]
    theirs = set(lights.loc[lights["maintained_by"] != "", "light_id"])
    repairs = city.tables["repairs"]
    done = repairs[repairs["light_id"].isin(theirs)]
    assert len(theirs) > 50
    assert set(done["action"]) <= {"follow_up", "no_fault_found"}
    assert not city.tables["components"]["light_id"].isin(theirs).any()


def test_a_temporary_feed_is_followed_by_planned_work_on_the_section(
    city: City,
) -> None:
    repairs = city.tables["repairs"]
    temporary = repairs[repairs["temporary_feed_until"] != ""]
    planned = repairs[(repairs["cause"] == "programme") & (repairs["section_id"] != "")]
    assert (temporary["follow_up"] == "dig").all()
    assert len(planned) > 10
    assert set(planned["section_id"]) <= set(temporary["section_id"])


def test_the_truth_can_be_written_and_read(city: City, tmp_path: Path) -> None:
    city.truth.write(tmp_path / "truth.json")
    told = json.loads((tmp_path / "truth.json").read_text("utf-8"))
    assert len(told["failures"]) == len(city.truth.failures)
    assert told["batch"] == {"model": "TW-E2", "vintage": 2019, "hazard_factor": 4.0}


@pytest.mark.parametrize(
    "wrong",
    [{"lights": 3}, {"mh_share": 1.2}, {"knockdowns_per_year": -1.0}, {"years": 0}],
)
def test_impossible_cities_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"city|share|negative"):
        Parameters(**wrong)  # type: ignore[arg-type]


def test_constant_lives_keep_the_mean_and_lose_everything_else() -> None:
    life = Life("lamp", "hps", 2.0, 10.0, 0.1, 0.1).constant()
    # mean of a Weibull of shape 2: scale * sqrt(pi) / 2 (textbook, from memory)
    assert life.scale_years == pytest.approx(10 * np.sqrt(np.pi) / 2)
    assert (life.shape, life.freeze_thaw, life.wet) == (1.0, 0.0, 0.0)
    assert Parameters.small(constant_hazards=True).batch is None
    assert Parameters.small().batch == Batch("TW-E2", 2019, 4.0)


def test_what_is_open_at_a_time_began_before_it_and_was_mended_after(
    city: City,
) -> None:
    at = "2021-03-04T06:00"
    found = city.truth.troubles.open_at(datetime.fromisoformat(at))
    frame = city.truth.troubles.frame
    mended = frame[(frame["failed_at"] < at) & (frame["repaired_at"] > at)]
    key = ["kind", "light_id", "circuit_id", "section_id", "failed_at"]

    assert len(mended)
    assert len(mended.merge(found, on=key)) == len(mended)
    assert (found["failed_at"] <= at).all()
    assert (found["noticed_at"] <= at).all()
    assert found["dark_light_ids"].map(len).min() >= 1
    assert {"supply", "customer"} <= set(frame["kind"])


def test_what_is_mended_off_record_is_neither_open_nor_on_record(city: City) -> None:
    at = "2021-03-04T15:00"
    troubles, repairs = city.truth.troubles, city.tables["repairs"]
    found = troubles.mended_off_record_at(datetime.fromisoformat(at))
    still = troubles.open_at(datetime.fromisoformat(at))
    ours = found[(found["light_id"] != "") & (found["kind"] != "customer")]
    done = repairs[(repairs["performed_at"] <= at) & (repairs["recorded_at"] >= at)]
    key = ["kind", "light_id", "circuit_id", "section_id", "failed_at"]

    assert len(ours)
    assert found.merge(still, on=key).empty
    assert set(ours["light_id"]) <= set(done["light_id"])
