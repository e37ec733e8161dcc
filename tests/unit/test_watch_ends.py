"""Time under watch ends where the records of repairs end, not at the clock."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lightwatch.decisions.grounds import grounds
from lightwatch.lives import lives
from lightwatch.nights import YEAR
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates import RateRow, rates
from lightwatch.rates.feed_history import feed_history
from lightwatch.rates.hazards import hazards_now
from lightwatch.register import Register
from tests.absent_records import register
from tests.packages import take_in as taken
from tests.packages import write_package
from tests.towns import little_town, new_store, take_in


def rows(register: Register) -> list[RateRow]:
    return rates(lives(register))


def town_of_2022(folder: Path, **more: Any) -> Register:
    """Forty lights whose lamps are replaced, one a week, from 2016 until 2022."""
    lights = [
        {"light_id": f"L{i:02}", "longitude": 15.64 + i / 1e4, "latitude": 47.32,
         "technology": "hps"}
        for i in range(40)
    ]  # fmt: skip
    parts = [{"light_id": one["light_id"], "kind": "lamp"} for one in lights]
    repairs = [
        {"repair_id": f"W{week}", "performed_at": f"{2016 + week // 48}-"
         f"{week // 4 % 12 + 1:02}-{1 + week % 4 * 7:02}T10:00",
         "light_id": f"L{week % 40:02}", "cause": "lamp", "action": "replaced",
         "component": "lamp"}
        for week in range(288)
    ]  # fmt: skip
    late = more.get("late", ())
    tables = {"lights": lights, "components": parts, "repairs": [*repairs, *late]}
    package = write_package(
        folder, tables, created="2026-01-01T00:00:00Z", opened_on="2016-01-01"
    )
    return taken(package).register


def test_years_without_records_are_no_years_without_failures(tmp_path: Path) -> None:
    late = town_of_2022(tmp_path / "town")
    end = late.watched_until
    assert end < late.as_of - 2 * YEAR
    early = Register(Known(late.known.store, end))
    assert early.watched_until == early.as_of
    assert rows(late) == rows(early)
    assert [row.failures for row in rows(late) if row.kind == "lamp"] == [288]
    assert "Repairs end in Dec 2021" in " ".join(grounds(late, "rates").missing)
    assert grounds(early, "rates").missing == ()


def test_one_repair_years_later_adds_no_years(tmp_path: Path) -> None:
    one = {"repair_id": "N1", "performed_at": "2025-06-01T10:00", "light_id": "L05",
           "cause": "lamp", "action": "replaced", "component": "lamp"}  # fmt: skip
    alone, more = town_of_2022(tmp_path / "a"), town_of_2022(tmp_path / "b", late=[one])
    assert rows(more) == rows(alone)
    assert "1 later one is not counted" in " ".join(grounds(more, "rates").missing)
    now = more.fittings.set_index("light_id").loc[["L05"]]
    assert now.loc[now["kind"] == "lamp", "end"].max() == more.as_of


def test_what_hangs_now_is_told_whether_or_not_it_was_watched(tmp_path: Path) -> None:
    late = town_of_2022(tmp_path / "town")
    now = hazards_now(lives(late))
    assert sorted(now.loc[now["kind"] == "lamp", "light_id"]) == [
        f"L{i:02}" for i in range(40)
    ]
    assert (now["per_year"] > 0).all()


@pytest.mark.parametrize("years", [8, 20])
def test_the_little_town_says_the_same_long_after(years: int, tmp_path: Path) -> None:
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town"))
    late = Register(Known(store, default_as_of(store) + years * YEAR))
    early = Register(Known(store, late.watched_until))
    assert late.watched_until < late.as_of
    assert rows(late) == rows(early)
    assert feed_history(lives(late)) == feed_history(lives(early))


def test_without_repairs_nothing_is_under_watch(tmp_path: Path) -> None:
    package = write_package(
        tmp_path / "bare",
        {"lights": [{"light_id": "L1", "longitude": 1, "latitude": 2,
                     "technology": "led"}]},
        created="2020-01-01T00:00:00Z",
        opened_on="2016-01-01",
    )  # fmt: skip
    register = taken(package).register
    assert rows(register) == []
    assert grounds(register, "rates").not_known.startswith("no repairs are on record")
    assert len(hazards_now(lives(register))) == 1


def test_a_repair_that_names_no_part_hangs_up_none(tmp_path: Path) -> None:
    silent = register(tmp_path, "silent")
    assert set(silent.fittings["kind"]) == {"wiring"}
