"""What a clock on the wall of the place means."""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import pairwise

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightwatch.errors import NotUnderstood
from lightwatch.nights import (
    DAY,
    SECOND,
    LocalTime,
    read_date,
    read_partial_date,
)
from lightwatch.nights.years import local_years
from lightwatch.register.fittings import installed_between

CLOCK = LocalTime("Europe/Vienna")
HOUR = 3600 * SECOND


def utc(*parts: int) -> int:
    """An instant by its UTC date and time."""
    return int(datetime(*parts, tzinfo=UTC).timestamp()) * SECOND  # type: ignore[misc]


def test_a_time_without_an_offset_is_local_in_summer_and_in_winter():
    assert CLOCK.instant("2025-07-01T12:00") == utc(2025, 7, 1, 10)
    assert CLOCK.instant("2025-01-01 12:00:30") == utc(2025, 1, 1, 11, 0, 30)


def test_a_date_means_its_first_local_moment():
    assert CLOCK.instant("2025-10-01") == utc(2025, 9, 30, 22)
    assert CLOCK.midnight(date(2025, 1, 1)) == utc(2024, 12, 31, 23)


@pytest.mark.parametrize(
    "text",
    ["2025-07-01T10:00Z", "2025-07-01T06:30-03:30", "2025-07-01T12:00:00.000+0200"],
)
def test_an_offset_in_the_text_overrides_the_place(text):
    assert CLOCK.instant(text) == utc(2025, 7, 1, 10)


def test_a_skipped_hour_is_read_by_the_offset_before_the_change():
    # 2025-03-30 01:00 UTC: clocks go from 02:00 (+1) to 03:00 (+2).
    assert CLOCK.instant("2025-03-30T02:30") == utc(2025, 3, 30, 1, 30)
    assert CLOCK.written(CLOCK.instant("2025-03-30T02:30")).startswith(
        "2025-03-30T03:30:00+02:00"
    )
    assert CLOCK.is_odd("2025-03-30T02:30")


def test_a_repeated_hour_is_read_as_its_first_passing():
    # 2025-10-26 01:00 UTC: clocks go from 03:00 (+2) back to 02:00 (+1).
    assert CLOCK.instant("2025-10-26T02:30") == utc(2025, 10, 26, 0, 30)
    assert CLOCK.is_odd("2025-10-26T02:30")


@pytest.mark.parametrize(
    "text",
    [
        "2025-10-26T01:59",
        "2025-10-26T03:00",
        "2025-03-30T01:59",
        "2025-03-30T03:00",
        "2025-10-26T02:30+01:00",
        "2025-10-26T00:30Z",
        "2025-10-25T02:30",
        "not a time",
    ],
)
def test_only_the_hour_that_the_clock_change_touches_is_odd(text):
    assert not CLOCK.is_odd(text)


def test_the_days_around_a_change_keep_their_own_offsets():
    for text, hour in [
        ("2025-03-29T12:00", 11),
        ("2025-03-30T00:30", -1),
        ("2025-03-30T12:00", 10),
        ("2025-03-31T00:30", -2),
    ]:
        day = int(text[8:10])
        minutes = int(text[14:16])
        assert CLOCK.instant(text) == utc(2025, 3, day) + (
            hour * HOUR + minutes * 60 * SECOND
        )


def test_a_midnight_that_is_skipped_is_read_and_told():
    # Havana: on 2024-03-10 clocks go from 00:00 (-5) to 01:00 (-4).
    havana = LocalTime("America/Havana")
    assert havana.instant("2024-03-10") == utc(2024, 3, 10, 5)
    assert havana.is_odd("2024-03-10T00:00")


@settings(derandomize=True, max_examples=300, deadline=None)
@given(
    at=st.datetimes(
        min_value=datetime(1950, 1, 1),  # noqa: DTZ001
        max_value=datetime(2090, 1, 1),  # noqa: DTZ001
    ),
    zone=st.sampled_from(
        ["Europe/Vienna", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu"]
    ),
)
def test_local_times_are_read_as_the_standard_library_reads_their_first_fold(at, zone):
    clock = LocalTime(zone)
    expected = at.replace(tzinfo=clock.zone, fold=0)
    minute = expected.replace(second=0, microsecond=0)
    for text, wall in [
        (at.isoformat(), expected),
        (at.strftime("%Y-%m-%dT%H:%M"), minute),
        (at.strftime("%Y-%m-%dT%H:%M"), minute),
    ]:
        since = wall.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        assert clock.instant(text) == since.days * DAY + (
            since.seconds * SECOND + since.microseconds
        )


@settings(derandomize=True, max_examples=200, deadline=None)
@given(instant=st.integers(-(10**15), 4 * 10**15))
def test_what_is_written_is_read_back_as_the_same_instant(instant):
    # From 1938 on, when the last offsets with odd seconds were long gone here.
    assert CLOCK.instant(CLOCK.written(instant)) == instant


def test_a_night_that_begins_in_the_evening_is_over_at_the_next_noon():
    for text in ("2025-06-01T12:00", "2025-06-01T21:00", "2025-06-02T11:59"):
        assert CLOCK.night_over(CLOCK.instant(text)) == CLOCK.instant(
            "2025-06-02T12:00"
        )


def test_a_night_with_a_clock_change_is_over_at_noon_by_the_new_clock():
    over = CLOCK.night_over(CLOCK.instant("2025-03-29T22:00"))
    assert over == utc(2025, 3, 30, 10)
    assert over - CLOCK.instant("2025-03-29T22:00") == 13 * HOUR


def test_a_day_is_over_at_the_next_midnight_though_it_has_23_or_25_hours():
    for day, hours in [("2025-03-30", 23), ("2025-10-26", 25), ("2025-06-01", 24)]:
        start = CLOCK.instant(day)
        assert CLOCK.day_over(start) - start == hours * HOUR
        assert CLOCK.day_over(start + 12 * HOUR) - start == hours * HOUR


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
def test_the_ends_of_the_calendar_have_nights_and_days_too(day):
    for zone in ("Europe/Vienna", "America/New_York"):
        clock = LocalTime(zone)
        start = clock.instant(day)
        for ends in (clock.day_over(start), clock.night_over(start)):
            assert abs(ends - start) <= 4 * DAY
        assert clock.written(start)[:4] in ("0001", "9999")


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2016-02-29", date(2016, 2, 29), date(2016, 2, 29)),
        ("2016-02", date(2016, 2, 1), date(2016, 2, 29)),
        ("2015-12", date(2015, 12, 1), date(2015, 12, 31)),
        ("2015", date(2015, 1, 1), date(2015, 12, 31)),
        ("9999-12", date(9999, 12, 1), date(9999, 12, 31)),
    ],
)
def test_a_partial_date_spans_all_days_that_it_may_mean(text, first, last):
    assert read_partial_date(text) == (first, last)


@pytest.mark.parametrize("text", ["2015-02-29", "2015-13", "0000", "2015-00-10"])
def test_a_day_or_month_that_does_not_exist_is_impossible(text):
    with pytest.raises(NotUnderstood, match="impossible"):
        read_partial_date(text)


@pytest.mark.parametrize(
    "text",
    ["", "15", "2015-1", "2015-1-1", "2015-01-01T00:00", "May 2015", "\u0662015"],
)
def test_a_partial_date_written_another_way_is_not_understood(text):
    with pytest.raises(NotUnderstood, match="is not a date"):
        read_partial_date(text)


@pytest.mark.parametrize("text", ["2025-02-30", "2025-13-01", "0000-01-01"])
def test_an_impossible_date_is_named_so(text):
    with pytest.raises(NotUnderstood, match="impossible"):
        read_date(text)
    with pytest.raises(NotUnderstood, match="impossible"):
        CLOCK.instant(text + "T10:00")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2025-01-01T24:00",
        "2025-01-01T10:60",
        "2025-01-01T10",
        "01.02.2025",
        "2025-01-01T10:00+25:00",
        "2025-01-01T1\u0660:00",
    ],
)
def test_a_time_written_another_way_is_not_understood(text):
    with pytest.raises(NotUnderstood, match="is not a time"):
        CLOCK.instant(text)


def test_reading_the_same_hour_again_gives_the_same_instant():
    clock = LocalTime("Europe/Vienna")
    first = [clock.instant(f"2025-06-01T10:{minute:02}") for minute in range(60)]
    assert first == [clock.instant(f"2025-06-01T10:{m:02}") for m in range(60)]
    assert [b - a for a, b in pairwise(first)] == [60 * SECOND] * 59
    with pytest.raises(NotUnderstood):
        clock.instant("2025-06-01T10:6x")


@pytest.mark.parametrize("zone", ["Mars/Olympus", "../../etc/passwd", "", "Europe"])
def test_an_unknown_timezone_is_refused_by_name(zone):
    with pytest.raises(NotUnderstood, match="IANA"):
        LocalTime(zone)


@pytest.mark.parametrize("zone", ["Europe/Vienna", "America/Denver", "UTC"])
def test_a_date_known_to_its_year_lies_in_that_year_on_either_side_of_greenwich(zone):
    clock = LocalTime(zone)
    ends = installed_between(pd.Series(["2013", "2013-12-31", "", "2014-01"]), clock)
    for found in ends:
        years = local_years(found, clock)
        assert years.tolist()[:2] == [2013, 2013]
        assert years.isna().tolist() == [False, False, True, False]
        assert years.iloc[3] == 2014
