"""How soon trouble is noticed, by symptom and place: planted towns are the judge."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightwatch.detection import detection
from lightwatch.detection.places import drawn_ratios
from lightwatch.detection.signs import signs
from lightwatch.register import Register
from lightwatch.register.districts import districts
from tests.packages import take_in, write_package
from tests.towns import little_town

OPENED = datetime(2016, 1, 1, tzinfo=UTC)
REPAIRED_AFTER_DAYS = 20
PER_DAY = 0.02


def _road(name: str, road_class: str) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": "LineString", "coordinates": [[0, 50], [0.1, 50]]},
        "properties": {"road_id": name, "class": road_class},
    }


def planted_town(
    folder: Path,
    *,
    arterial: float = 1.0,
    east: float = 1.0,
    classes: tuple[str, ...] = ("arterial", "residential"),
    lights: int = 1200,
    troubles: int = 2,
) -> Register:
    """Return a town in which patrols find troubles that people report at known rates.

    A patrol finds a light out; somebody reports it after an exponential time, at
    ``PER_DAY`` or as often more as is asked for, unless it has been repaired by then.
    Every light has a road of its own, so that no patrol passes another.
    """
    rng = np.random.default_rng(11)
    tables: dict[str, list[dict[str, Any]]] = {
        name: [] for name in ("lights", "reports", "repairs", "patrols", "sightings")
    }
    for i in range(lights):
        light, road = f"L{i:04}", f"R{i:04}"
        road_class = classes[i % len(classes)]
        in_the_east = i * 2 >= lights
        tables["lights"].append(
            {"light_id": light, "longitude": 0.1 * i / lights, "latitude": 50.0,
             "road_id": road, "technology": "hps"}
        )  # fmt: skip
        faster = arterial if road_class == "arterial" else 1.0
        rate = PER_DAY * faster * (east if in_the_east else 1.0)
        for _ in range(troubles):
            found = OPENED + timedelta(days=float(rng.uniform(0, 1700)), hours=1)
            mended = found + timedelta(days=REPAIRED_AFTER_DAYS)
            told = found + timedelta(days=float(rng.exponential(1 / rate)))
            _note(tables, light, road, found, mended, told if told < mended else None)
    package = write_package(
        folder, tables, created="2021-01-01T00:00:00Z", opened_on="2016-01-01",
        roads=[_road(f"R{i:04}", classes[i % len(classes)]) for i in range(lights)],
    )  # fmt: skip
    return take_in(package).register


def _note(
    tables: dict[str, list[dict[str, Any]]],
    light: str,
    road: str,
    found: datetime,
    mended: datetime,
    told: datetime | None,
) -> None:
    number = len(tables["repairs"])
    written = "%Y-%m-%dT%H:%M:%S"
    tables["patrols"].append(
        {"patrol_id": f"N{number}", "started_at": found.strftime(written),
         "road_id": road, "kind": "night"}
    )  # fmt: skip
    tables["sightings"].append(
        {"patrol_id": f"N{number}", "light_id": light, "state": "out",
         "seen_at": found.strftime(written)}
    )  # fmt: skip
    if told:
        tables["reports"].append(
            {"report_id": f"Q{number}", "received_at": told.strftime(written),
             "light_id": light, "symptom": "out"}
        )  # fmt: skip
    tables["repairs"].append(
        {"repair_id": f"W{number}", "performed_at": mended.strftime(written),
         "light_id": light, "cause": "lamp", "action": "replaced", "component": "lamp"}
    )  # fmt: skip


def _mean(values: np.ndarray, chosen: np.ndarray) -> float:
    return float(values[chosen].mean())


def test_a_class_and_a_district_that_report_sooner_are_recovered(
    tmp_path: Path,
) -> None:
    register = planted_town(tmp_path / "town", arterial=3.0, east=2.0)
    found = detection(register)
    lights = register.known.lights
    rate = found.reported_per_day(lights["light_id"], "out")
    arterial = np.arange(len(lights)) % 2 == 0
    east = (lights["longitude"] >= 0.05).to_numpy()
    for side in (east, ~east):
        faster = _mean(rate, side & arterial) / _mean(rate, side & ~arterial)
        assert 2.5 < faster < 3.5
    for some in (arterial, ~arterial):
        assert 1.7 < _mean(rate, some & east) / _mean(rate, some & ~east) < 2.3
    true = PER_DAY * np.where(arterial, 3.0, 1.0) * np.where(east, 2.0, 1.0)
    assert np.all(np.abs(rate / true - 1) < 0.2)


def test_a_town_of_one_class_and_district_has_a_ratio_of_one(tmp_path: Path) -> None:
    register = planted_town(tmp_path / "town", classes=("residential",), lights=300)
    found = detection(register)
    assert found.places.road_class == {"residential": pytest.approx(1.0)}
    assert list(found.places.district.values()) == [pytest.approx(1.0)]
    rate = found.reported_per_day(register.known.lights["light_id"], "out")
    assert rate == pytest.approx(np.full(300, found.per_day["out"]))
    assert found.per_day["out"] == pytest.approx(PER_DAY, rel=0.2)


def test_classes_that_do_not_differ_are_drawn_together(tmp_path: Path) -> None:
    found = detection(planted_town(tmp_path / "town", troubles=1))
    for ratio in (*found.places.road_class.values(), *found.places.district.values()):
        assert ratio == pytest.approx(1.0, abs=0.1)


def test_a_light_not_on_record_is_reported_as_an_average_one(tmp_path: Path) -> None:
    found = detection(planted_town(tmp_path / "town", arterial=3.0, lights=400))
    rate = found.reported_per_day(pd.Series(["nowhere"]), "out")
    assert rate == pytest.approx([found.per_day["out"]])
    each = found.noticed_per_day_at(pd.Series(["nowhere", "L0000"]), ["out", "dim"])
    assert each[0] == pytest.approx(found.noticed_per_day("out"))
    passed = found.hit_chance("dim") * found.passes_per_day
    told = found.reported_per_day(pd.Series(["L0000"]), "dim")
    assert each[1] == pytest.approx(float(told[0]) + passed)


@given(st.lists(st.tuples(st.integers(0, 400), st.floats(0.1, 400)), min_size=1))
def test_drawn_ratios_lie_between_one_and_what_was_seen(
    groups: list[tuple[int, float]],
) -> None:
    reports, expected = np.array(groups, dtype=float).T
    drawn = drawn_ratios(reports, expected)
    if not reports.sum():
        assert drawn == pytest.approx(np.ones(len(groups)))
        return
    seen = reports / (expected * reports.sum() / expected.sum())
    assert np.all(drawn >= np.minimum(seen, 1) - 1e-9)
    assert np.all(drawn <= np.maximum(seen, 1) + 1e-9)


@given(st.integers(1, 700), st.integers(0, 2**31))
def test_districts_are_of_like_size_and_do_not_depend_on_the_order_of_lights(
    count: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    lights = pd.DataFrame(
        {
            "light_id": [f"L{i}" for i in range(count)],
            "longitude": np.round(rng.normal(16, 0.02, count), 3),
            "latitude": np.round(rng.normal(47, 0.02, count), 3),
        }
    )
    found = districts(lights, most=50)
    sizes = found.value_counts()
    assert sizes.max() <= 50
    assert sizes.min() >= min(count, 25)
    shuffled = lights.sample(frac=1, random_state=seed % 1000)
    again = districts(shuffled, most=50)
    assert again.sort_index().equals(found)


def test_a_report_that_names_no_light_is_a_sign_at_the_nearest(tmp_path: Path) -> None:
    told = signs(take_in(little_town(tmp_path / "town")).register)
    assert set(told.loc[told["symptom"] == "group_out", "light_id"]) == {"L06"}


def test_a_report_that_a_repair_names_is_a_sign_at_the_repaired_light(
    tmp_path: Path,
) -> None:
    near_another = {"light_id": "", "longitude": "15.6420", "latitude": "47.3200"}
    town = little_town(tmp_path / "town", reports={2: near_another})
    told = signs(take_in(town).register).sort_values("day")
    assert told["light_id"].iloc[0] == "L01"
