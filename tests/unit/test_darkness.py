"""Dusk to dawn: nights by their evening, clock changes, polar days and nights."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightwatch.errors import NotUnderstood
from lightwatch.nights import SECOND, LocalTime
from lightwatch.nights.darkness import Place, burn_hours, darkness, daylight
from lightwatch.nights.sun import CIVIL_DEG, elevation_deg

VIENNA = LocalTime("Europe/Vienna")
TOWN = Place(15.63, 47.315, VIENNA)


def times(place: Place, day: date) -> tuple[str, str]:
    found = darkness(place, day)
    assert found.begins is not None
    assert found.ends is not None
    return place.clock.written(found.begins), place.clock.written(found.ends)


@pytest.mark.parametrize(
    ("day", "first", "last"),
    [
        (date(2025, 3, 29), "+01:00", "+02:00"),
        (date(2025, 10, 25), "+02:00", "+01:00"),
    ],
)
def test_a_night_over_a_clock_change_is_as_long_as_the_sun_says(day, first, last):
    dusk, dawn = times(TOWN, day)
    assert dusk.endswith(first)
    assert dawn.endswith(last)
    around = [darkness(TOWN, date(day.year, day.month, d)).hours for d in
              (day.day - 1, day.day + 1)]  # fmt: skip
    assert min(around) < darkness(TOWN, day).hours < max(around)


def test_dusk_falls_on_the_evening_s_date_and_dawn_on_the_next():
    dusk, dawn = times(TOWN, date(2025, 11, 10))
    assert dusk.startswith("2025-11-10T17:00")
    assert dawn.startswith("2025-11-11T06:2")


def test_a_place_far_from_its_clock_s_meridian_keeps_the_evening_s_date():
    # Kiritimati lies at 157 W and keeps UTC+14.
    island = Place(-157.4, 1.9, LocalTime("Pacific/Kiritimati"))
    dusk, dawn = times(island, date(2025, 5, 5))
    assert dusk.startswith("2025-05-05T18")
    assert dawn.startswith("2025-05-06T05")


@settings(derandomize=True, max_examples=150, deadline=None)
@given(
    latitude=st.floats(-65, 65),
    longitude=st.floats(-180, 180),
    day=st.dates(date(2000, 1, 1), date(2040, 12, 31)),
)
def test_the_sun_stands_at_six_degrees_under_at_dusk_and_dawn(latitude, longitude, day):
    place = Place(longitude, latitude, LocalTime("UTC"))
    found = darkness(place, day)
    if found.kind != "usual":
        assert found.extreme_deg > CIVIL_DEG
        return
    ends = np.array([found.begins, found.ends])
    assert elevation_deg(ends, latitude, longitude) == pytest.approx(
        [CIVIL_DEG, CIVIL_DEG], abs=1e-4
    )
    middle = np.array([(found.begins + found.ends) // 2])
    assert elevation_deg(middle, latitude, longitude)[0] < CIVIL_DEG


def test_a_night_that_does_not_get_dark_says_how_low_the_sun_came():
    north = Place(18.96, 69.65, LocalTime("Europe/Oslo"))
    found = darkness(north, date(2025, 6, 21))
    assert (found.kind, found.begins, found.ends, found.hours) == (
        "never",
        None,
        None,
        0,
    )
    assert found.extreme_deg == pytest.approx(3.08, abs=0.01)


def test_polar_night_is_dark_from_noon_to_noon_and_has_no_day():
    pole = Place(0.0, 88.0, LocalTime("UTC"))
    found = darkness(pole, date(2025, 12, 21))
    assert (found.kind, found.hours) == ("always", 24.0)
    assert daylight(pole, date(2025, 12, 21)).kind == "never"
    assert daylight(pole, date(2025, 6, 21)).kind == "always"


def test_a_lamp_burns_half_the_year_and_the_longer_the_higher_it_switches():
    leap = burn_hours(TOWN, 2024)
    assert leap - burn_hours(TOWN, 2025) == pytest.approx(16.0, abs=2.5)
    assert burn_hours(TOWN, 2025, 0.0) > burn_hours(TOWN, 2025, -6.0)


def test_burn_hours_are_the_sum_of_the_nights():
    first, last = date(2025, 1, 1).toordinal(), date(2026, 1, 1).toordinal()
    days = map(date.fromordinal, range(first, last))
    nights = [darkness(TOWN, day, CIVIL_DEG).hours for day in days]
    assert burn_hours(TOWN, 2025, CIVIL_DEG) == pytest.approx(sum(nights), abs=0.2)


@pytest.mark.parametrize(
    ("longitude", "latitude"), [(181, 0), (0, 91), (float("nan"), 0)]
)
def test_a_place_that_is_none_is_refused(longitude, latitude):
    with pytest.raises(NotUnderstood):
        Place(longitude, latitude, VIENNA)


def test_a_second_of_dusk_is_small_against_the_step():
    found = darkness(TOWN, date(2025, 9, 30))
    assert found.begins is not None
    near = np.array([found.begins - SECOND, found.begins + SECOND])
    before, after = elevation_deg(near, TOWN.latitude, TOWN.longitude)
    assert before > CIVIL_DEG > after
