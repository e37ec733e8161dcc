"""How far records reach: silences that are plausible, ends, and holes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lightwatch.nights import DAY, YEAR
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.register.on_record import on_record
from lightwatch.register.reach import RESUMED_DAYS, reach, records_end
from tests.packages import take_in as taken
from tests.packages import write_package
from tests.towns import CLOCK, little_town, new_store, take_in

OPENED = CLOCK.instant("2016-01-01")


def daily(first: int, days: int, every: int = 1) -> np.ndarray:
    """Records at noon, one every so many days from the first day after opening."""
    return OPENED + (first + np.arange(0, days, every) + 0.5) * DAY


def ends(happened: np.ndarray, day: float) -> float | None:
    """The day since the opening on which records end, as of a day."""
    at = records_end(happened, OPENED, OPENED + int(day * DAY))
    return None if at is None else (at - OPENED) / DAY


def test_without_records_there_is_no_reach() -> None:
    assert ends(np.array([]), 100) is None


@pytest.mark.parametrize(("every", "silence"), [(1, 30), (10, 69), (60, 419)])
def test_a_plausible_silence_is_no_end(every: int, silence: int) -> None:
    happened = daily(0, 2000, every)
    last = (happened[-1] - OPENED) / DAY
    assert ends(happened, last + silence) == last + silence


@pytest.mark.parametrize(("every", "silence"), [(1, 32), (10, 72), (60, 422)])
def test_after_a_longer_silence_they_end_a_mean_gap_after_the_last(
    every: int, silence: int
) -> None:
    happened = daily(0, 2000, every)
    last = (happened[-1] - OPENED) / DAY
    assert ends(happened, last + silence) == pytest.approx(last + every)
    assert ends(happened, last + 3000) == pytest.approx(last + every)


def test_one_record_after_a_hole_does_not_make_it_watched() -> None:
    years, hole = 1500, 400
    one_more = np.append(daily(0, years), daily(years + hole, 1))
    assert ends(one_more, years + hole + 2) == pytest.approx(years + 0.5)
    many = np.append(daily(0, years), daily(years + hole, RESUMED_DAYS + 1))
    assert ends(many, years + hole + 30) == pytest.approx(years + 0.5)


def test_a_short_hole_counts_as_watched_once_records_have_resumed() -> None:
    years, hole = 1500, 100
    few = np.append(daily(0, years), daily(years + hole, RESUMED_DAYS - 1))
    assert ends(few, years + hole + 20) == pytest.approx(years + 0.5)
    many = np.append(daily(0, years), daily(years + hole, RESUMED_DAYS))
    assert ends(many, years + hole + 20) == years + hole + 20


def test_a_quiet_summer_is_over_with_the_first_report_after_it() -> None:
    years, summer = 1500, 60
    back = np.append(daily(0, years), daily(years + summer, 1))
    assert ends(back, years + summer + 2) == years + summer + 2
    still_quiet = daily(0, years)
    assert ends(still_quiet, years + summer) == pytest.approx(years + 0.5)


def test_the_first_few_records_are_judged_by_the_time_since_the_opening() -> None:
    assert ends(daily(100, 1), 700) == 700
    assert ends(daily(100, 1), 1000) == pytest.approx(201, abs=1)


def test_the_little_town_s_repairs_reach_to_its_day(tmp_path: Path) -> None:
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town"))
    now = default_as_of(store)
    found = reach(Register(Known(store, now)))
    assert (found.repairs, found.reports, found.patrols) == (now, now, now)
    late = reach(Register(Known(store, now + 8 * YEAR)))
    last = CLOCK.instant("2019-08-08T10:00")
    assert late.repairs is not None
    assert last < late.repairs < last + YEAR


def test_what_is_on_record(tmp_path: Path) -> None:
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town"))
    found = on_record(Register(Known(store, default_as_of(store))))
    assert found["lights"].count == 10
    assert found["patrols"].count == 4
    assert found["repairs"].count == 8
    assert found["reports"].first == CLOCK.instant("2016-02-03T19:10")
    assert found["reports"].last == CLOCK.instant("2019-12-28T23:45")


def test_nothing_on_record(tmp_path: Path) -> None:
    bare = write_package(
        tmp_path / "bare", {}, created="2020-01-01T00:00:00Z", opened_on="2016-01-01"
    )
    register = taken(bare).register
    assert not any(on_record(register).values())
    assert reach(register).repairs is None
