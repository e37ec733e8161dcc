"""The energy statement: dated watts times burn hours."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from lightwatch.decisions.energy import statement
from lightwatch.nights import LocalTime
from lightwatch.nights.darkness import Burning, Place, burn_hours
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from reports.papers.desk import Desk
from tests.small_city import small_city


@pytest.mark.parametrize(
    ("latitude", "level", "hours"),
    [
        (33.45, -0.833, 4315),
        (51.5, -0.833, 4280),
        (51.5, -6.0, 3816),
        (59.3, -3.0, 3983),
    ],
)
def test_hours_summed_over_a_year_are_the_burn_hours_of_the_place(
    latitude, level, hours
):
    """Burn hours of 2025 at Phoenix, London, Stockholm: shared methods page,
    stock-and-patrol B4, found there with an independent solar position."""
    utc = LocalTime("UTC")
    place = Place(0.0, latitude, utc)
    start, end = utc.midnight(date(2025, 1, 1)), utc.midnight(date(2026, 1, 1))
    burning = Burning.between(place, start, end, level)
    whole = burning.of(np.array([start], float), np.array([end], float))[0]
    assert whole == pytest.approx(hours, abs=6)
    assert whole == pytest.approx(burn_hours(place, 2025, level))
    middle = np.array([utc.midnight(date(2025, 7, 1))], float)
    halves = burning.of(np.array([start], float), middle)
    halves = halves + burning.of(middle, np.array([end], float))
    assert halves[0] == pytest.approx(whole)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    store = open_store(small_city(tmp_path_factory.mktemp("city")))
    return Desk(Register(Known(store, default_as_of(store))))


def test_the_statement_is_the_sum_by_hand(desk: Desk):
    """Light by light: its last known watts times the month's hours."""
    (month,) = desk.months()
    found = statement(desk.register, [month])
    hours = {line.burn_hours for line in found.lines}
    assert len(hours) == 1
    known = desk.known
    lights = known.lights[known.lights["feed_owner"] == ""]
    entered = lights["entered"].astype(float).fillna(-np.inf)
    removed = lights["removed"].astype(float).fillna(np.inf)
    whole = lights[(entered <= month[1]) & (removed >= month[2])]
    touched = {one.light_id for one in found.changes} | set(found.without_watts)
    from lightwatch.decisions.energy.watts import watts

    load = watts(known)
    load = load[load["since"] <= month[1]].groupby("light_id")["watts"].last()
    steady = [light for light in whole["light_id"] if light not in touched]
    by_hand = load.reindex(steady).sum() / 1000 * hours.pop()
    rest = 1 + len(touched) + len(lights) - len(whole)
    most = load.max() / 1000 * rest * found.lines[0].burn_hours
    assert by_hand <= found.kwh + 1e-6
    assert found.kwh - by_hand <= most


def test_day_burning_and_darkness_are_apart_and_watts_are_not_guessed(desk: Desk):
    found = statement(desk.register, desk.months(count=12))
    assert found.by_day_kwh > 0
    assert found.by_day_hours > 0
    assert found.dark_kwh > 0
    months = {line.month for line in found.lines}
    assert len(months) == 12
    assert {one.what for one in found.changes} <= {
        "put up", "taken down", "watts changed",
    }  # fmt: skip
    days = [one.day for one in found.changes]
    assert days == sorted(days)


def test_months_add_up(desk: Desk):
    asked = desk.months(count=3)
    together = statement(desk.register, asked).kwh
    apart = sum(statement(desk.register, [one]).kwh for one in asked)
    assert together == pytest.approx(apart, rel=1e-6)
