"""Nothing to show is an answer: no lights, nothing watched, a day before the first."""

from __future__ import annotations

from pathlib import Path

import pytest

from lightwatch.decisions.patrol import Order, plan_patrol
from lightwatch.decisions.repeats import Repeats
from lightwatch.decisions.triage import METHOD, outages
from lightwatch.errors import NotUnderstood
from lightwatch.lives import lives
from lightwatch.mapview import outage_map
from lightwatch.nights import DAY
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates import rates
from lightwatch.rates.backtest import backtest
from lightwatch.rates.feed_history import feed_history
from lightwatch.rates.growing import recurrence
from lightwatch.rates.life_models import life_models
from lightwatch.rates.thin import shrunk
from lightwatch.register import Register
from reports.lives import backtest_text, feeds_text, lives_text
from reports.noticing import recurrence_text
from reports.papers import PAPERS
from reports.papers.desk import Desk
from reports.papers.faces import as_html
from reports.repeats import repeats_text
from tests.towns import CLOCK, TABLES, little_town, new_store, take_in

EVERY = ("kind", "type", "technology", "model", "maker", "vintage", "feed", "control",
         "age", "station", "road_class", "district", "circuit")  # fmt: skip


def headers_only(folder: Path) -> Path:
    plain = {name: text.split("\n")[0] + "\n" for name, text in TABLES.items()}
    return little_town(folder, **plain)


def answer_everything(known: Known) -> tuple[int, int]:
    data = lives(Register(known))
    rows = rates(data, EVERY)
    assert len(shrunk(rows)) == len(rows)
    models = life_models(data)
    assert "Left out" in lives_text("now", models)
    assert feeds_text(feed_history(data))
    assert backtest_text(backtest(known))
    again = [recurrence(data, level) for level in ("circuit", "light")]
    assert recurrence_text([one for one in again if one])
    assert repeats_text("now", Repeats(data))
    found = outages(data)
    page = outage_map(
        found,
        Register(known).standing,
        known.sections,
        known.circuits,
        known.roads,
        as_of=known.clock.at(known.as_of),
        place=known.place["name"],
        method=METHOD,
    )
    assert "<html" in page
    return len(rows), len(found)


def test_a_package_of_headers_alone_answers_with_nothing(tmp_path: Path) -> None:
    store = new_store(tmp_path)
    take_in(store, headers_only(tmp_path / "town"))
    assert answer_everything(Known(store, default_as_of(store))) == (0, 0)


@pytest.mark.parametrize("day", ["1999-01-01", "2016-01-01"])
def test_a_day_before_the_register_opened_answers_with_nothing(
    day: str, tmp_path: Path
) -> None:
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town"))
    rows, _ = answer_everything(Known(store, CLOCK.instant(day)))
    assert rows == 0


def test_reports_of_the_first_days_are_of_the_first_month(tmp_path: Path) -> None:
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town"))
    opened = Known(store, default_as_of(store)).opened

    def desk(at: int) -> Desk:
        return Desk(Register(Known(store, at)))

    first = desk(opened + 14 * DAY)
    assert "Lighting report, 2016-01" in as_html(PAPERS["monthly"](first))
    with pytest.raises(NotUnderstood, match="the register was opened in 2016-01"):
        _ = desk(opened).month


def test_a_little_town_answers_with_something(tmp_path: Path) -> None:
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town"))
    rows, _ = answer_everything(Known(store, default_as_of(store)))
    assert rows > 0


def test_sections_on_record_before_any_light_are_no_trouble(tmp_path: Path) -> None:
    head = TABLES["lights"].split("\n")[0] + "\n"
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town", lights=head))
    known = Known(store, default_as_of(store))
    answer_everything(known)
    for paper in PAPERS.values():
        assert "<html" in as_html(paper(Desk(Register(known))))


def test_a_town_whose_lights_name_no_road_answers_like_any_other(
    tmp_path: Path,
) -> None:
    lights = TABLES["lights"]
    for road in ("R1", "R2", "R3"):
        lights = lights.replace(f",{road},", ",,")
    none = {
        name: TABLES[name].split("\n")[0] + "\n" for name in ("patrols", "sightings")
    }
    store = new_store(tmp_path)
    town = little_town(tmp_path / "town", lights=lights, roads=None, **none)
    take_in(store, town)
    known = Known(store, default_as_of(store))
    _, found = answer_everything(known)
    assert found > 0
    desk = Desk(Register(known))
    for paper in PAPERS.values():
        assert "<html" in as_html(paper(desk))
    order = Order(CLOCK.at(known.as_of).date())
    assert plan_patrol(desk.lives, order, outages(desk.lives), seconds=0.1)
