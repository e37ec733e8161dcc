"""What fails ever more often is named, what fails steadily is not; gaps are shown."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lightwatch.lives import Lives
from lightwatch.lives.exposure import Weather
from lightwatch.lives.lives import COLUMNS
from lightwatch.nights import YEAR
from lightwatch.rates.cells import cells
from lightwatch.rates.growing import recurrence
from lightwatch.rates.piecewise import fit_hazard
from lightwatch.rates.weather_gaps import weather_gaps
from lightwatch.register import Register
from reports.noticing import (
    gaps_document,
    gaps_text,
    recurrence_document,
    recurrence_text,
)
from tests.packages import take_in
from tests.towns import little_town

WATCH_YEARS = 10.0
UNITS = 40
FAULTS = 8


def unit_lives(name: str, ages: np.ndarray, level: str) -> pd.DataFrame:
    """Return lives of one unit that fails at these ages and is mended at once."""
    ends = np.append(np.sort(ages), WATCH_YEARS)
    own = {"light_id": name} if level == "light" else {"circuit_id": name}
    return pd.DataFrame(
        {
            **dict.fromkeys(COLUMNS, ""),
            "kind": "lamp" if level == "light" else "cable",
            "installed": 0.0,
            "installed_last": 0.0,
            "start": np.append(0.0, ends[:-1]) * YEAR,
            "end": ends * YEAR,
            "end_repair": -1,
            "failed": np.arange(len(ends)) < len(ages),
            "weight": 1.0,
            **own,
        }
    )


@pytest.fixture
def register(tmp_path: Path) -> Register:
    return take_in(little_town(tmp_path / "town")).register


def planted(register: Register, level: str, seed: int = 4) -> Lives:
    """Return units that fail steadily, but for the first two, ever more often."""
    rng = np.random.default_rng(seed)
    parts = []
    for i in range(UNITS):
        share = rng.random(FAULTS)
        share = share ** (1 / 6) if i < 2 else share
        parts.append(unit_lives(f"U{i:02}", share * WATCH_YEARS, level))
    return Lives(pd.concat(parts, ignore_index=True), register)


@pytest.mark.parametrize("level", ["circuit", "light"])
def test_units_that_grow_worse_are_named_surest_first(
    register: Register, level: str
) -> None:
    found = recurrence(planted(register, level), level)
    assert found is not None
    assert {one.name for one in found.growing[:2]} == {"U00", "U01"}
    assert found.tested == found.units == UNITS
    for one in found.growing:
        assert one.laplace > 0
        assert one.law is not None
        assert one.law.shape > 1.0
        assert one.watched_years == pytest.approx(WATCH_YEARS)
    assert found.mean.mean[-1] == pytest.approx(FAULTS)
    (document,) = recurrence_document([found])
    named = [one.name for one in found.growing]
    assert [row["id"] for row in document["growing"]] == named
    assert document["mean_failures"][-1]["mean"] == pytest.approx(FAULTS)
    text = recurrence_text([found])
    for i in range(UNITS):
        assert (f"U{i:02}" in text) == (f"U{i:02}" in named)


def test_at_most_a_tenth_of_the_named_are_steady(register: Register) -> None:
    """The bound is on the mean share; 60 towns, three standard errors allowed."""
    shares, caught = [], 0
    for seed in range(60):
        found = recurrence(planted(register, "light", seed), "light")
        assert found is not None
        named = {one.name for one in found.growing}
        caught += len(named & {"U00", "U01"})
        shares.append(len(named - {"U00", "U01"}) / max(len(named), 1))
    assert np.mean(shares) <= 0.1 + 3 * np.std(shares) / len(shares) ** 0.5
    assert caught >= 0.9 * 120


def test_with_few_failures_nothing_is_said_of_a_unit_alone(register: Register) -> None:
    lives = Lives(unit_lives("U1", np.array([9.0, 9.5]), "light"), register)
    found = recurrence(lives, "light")
    assert found is not None
    assert (found.tested, found.growing) == (0, ())
    assert "none grows worse" in recurrence_text([found])


def test_where_nothing_failed_there_is_nothing_to_follow(register: Register) -> None:
    lives = Lives(unit_lives("U1", np.zeros(0), "light"), register)
    assert recurrence(lives, "light") is None
    assert "Nothing has failed" in recurrence_text([])


def test_months_without_weather_are_shown_with_what_they_cost() -> None:
    rng = np.random.default_rng(2)
    count, months = 600, 36
    leave = rng.uniform(1, months, count)
    failed = rng.random(count) < 0.7
    days = rng.uniform(0, 12, (2, months, 2))
    days[1, 10:13] = np.nan
    days[0, 20, 0] = np.nan
    group = rng.integers(0, 2, count)
    made = cells(
        np.zeros(count, int), np.zeros(count), leave, failed, group, n_months=months
    )
    model = fit_hazard(made, days, station=np.arange(2))
    gaps = weather_gaps(Weather(("east", "west"), 12 * 49, days), [model])
    assert [(gap.station, gap.first, gap.last) for gap in gaps] == [
        ("east", "2020-09", "2020-09"),
        ("west", "2019-11", "2020-01"),
    ]
    inside = (leave >= 10) & (leave < 13) & failed & (group == 1)
    assert gaps[1].failures == pytest.approx(inside.sum())
    stretch = np.clip(leave, 10, 13)[group == 1] - 10
    assert gaps[1].unit_years == pytest.approx(stretch.sum() / 12)
    assert "west: 2019-11 to 2020-01" in gaps_text(gaps)
    assert gaps_document(gaps)[0]["from"] == "2020-09"
    assert "no gap" in gaps_text(())
