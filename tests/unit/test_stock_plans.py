"""Plan, scenario and rule files: read, refused with a clear word, and their effect."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lightwatch.decisions.stock.forecast import Item, fit, forecast
from lightwatch.decisions.stock.plan import changes_of, read_plan
from lightwatch.decisions.stock.rules import read_rules
from lightwatch.decisions.stock.scenario import (
    Scenario,
    read_scenario,
    what_changes,
)
from lightwatch.decisions.stock.stocking import stock
from lightwatch.errors import LightwatchError, NotEnoughEvidence, UnknownAsset
from tests.stocked_towns import register, repair, repairs

PLAN = """
[[programme]]
name = "North changed"
from = "2022-02"
months = 2
depot = "North"
ends = ["photocontrol"]
fits = ["PC-B"]
"""


@pytest.fixture(scope="module")
def little(tmp_path_factory):
    often = [repair(i, f"{2018 + i // 60}-{i % 12 + 1:02d}-15T12:00:00", (7 * i) % 60)
             for i in range(240)]  # fmt: skip
    return register(tmp_path_factory.mktemp("plans"), repairs=often)


@pytest.fixture(scope="module")
def fitted(little):
    return fit(little, 12)


def written(folder: Path, text: str, name: str = "given.toml") -> Path:
    path = folder / name
    path.write_text(text, "utf-8")
    return path


# Plans ---------------------------------------------------------------------------


def test_a_plan_takes_its_parts_apart_from_demand(tmp_path, fitted) -> None:
    found = changes_of(read_plan(written(tmp_path, PLAN)), fitted)
    north = sum(
        depot == "North" for depot in fitted.served.of_light.values()
    )  # one photocontrol each

    assert sum(found.parts.values()) == pytest.approx(north)
    assert {(model, depot) for model, depot, _ in found.parts} == {("PC-B", "North")}
    months = {month for *_, month in found.parts}
    assert months == {(2022 - 1970) * 12 + 1, (2022 - 1970) * 12 + 2}


def test_a_plan_makes_the_parts_new(tmp_path, fitted) -> None:
    change = what_changes(fitted, read_plan(written(tmp_path, PLAN)))
    drawn = forecast(fitted, paths=400, change=change)
    standing = next(m for m in fitted.models if m.kind == "photocontrol")

    planned = change.planned["photocontrol"]
    assert sum(one.number for one in planned) == pytest.approx(
        sum(change.parts.values())
    )
    assert change.added["photocontrol"].sum() == pytest.approx(
        sum(change.parts.values())
    )
    assert standing.stands.groups.standing.sum() == 60
    assert drawn.used.sum() > 0


def test_a_plan_may_be_json(tmp_path, fitted) -> None:
    text = '{"programme": [{"from": "2022-02", "ends": ["fuse"], "fits": ["FU-6"]}]}'
    found = changes_of(read_plan(written(tmp_path, text, "plan.json")), fitted)

    assert sum(found.parts.values()) == 60


def test_only_parts_that_are_old_enough_are_changed(tmp_path, fitted) -> None:
    young = changes_of(
        read_plan(written(tmp_path, PLAN + "older_than_years = 90\n")), fitted
    )

    assert young.parts == {}


@pytest.mark.parametrize(
    ("change", "words"),
    [(('depot = "North"', 'district = "D99"'), "there is no district 'D99'"),
     (('depot = "North"', 'circuits = ["C1", "C9"]'), "there is no circuits 'C9'"),
     (('"PC-B"', '"PC-Z"'), "'PC-Z' is not in the catalogue"),
     (('"photocontrol"', '"bulb"'), "no 'bulb' stands"),
     (("months = 2", "month = 2"), "'month' is not known"),
     (('from = "2022-02"', 'from = "soon"'), "'soon' is no month"),
     (("months = 2", "months = 0"), "months: 0 .expected 1 to 240"),
     (("[[programme]]", "[[program]]"), "'program' is not known"),
     (("[[programme]]", "[[programme"), "no TOML or JSON")],
)  # fmt: skip
def test_a_plan_that_cannot_be_is_refused(tmp_path, fitted, change, words) -> None:
    path = written(tmp_path, PLAN.replace(*change))
    with pytest.raises(LightwatchError, match=words):
        changes_of(read_plan(path), fitted)


def test_a_file_that_is_not_there_is_told(tmp_path) -> None:
    with pytest.raises(LightwatchError, match="cannot be read"):
        read_plan(tmp_path / "none.toml")


# Scenarios -----------------------------------------------------------------------


def test_an_unknown_key_of_a_scenario_is_refused(tmp_path) -> None:
    path = written(tmp_path, "[weather]\nmonths = [1]\nrain_days = 3\n")
    with pytest.raises(LightwatchError, match=r"'rain_days' is not known .*wet_days"):
        read_scenario(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [("[weathr]\nwet_days = 3", "'weathr' is not known"),
     ("[weather]\nwet_days = 3", "weather needs months"),
     ("[weather]\nmonths = [13]\nwet_days = 3", "13 is no month"),
     ("[lead_time]\nfactor = -1", "factor = -1"),
     ("[hazard.lamp]\ntimes = 2", "'times' is not known")],
)  # fmt: skip
def test_a_scenario_that_cannot_be_is_refused(tmp_path, text, words) -> None:
    with pytest.raises(LightwatchError, match=words):
        read_scenario(written(tmp_path, text))


def test_a_maker_that_is_not_there_cannot_be_dropped(fitted) -> None:
    with pytest.raises(UnknownAsset, match=r"no maker 'Oak' .*Alder, Birch"):
        what_changes(fitted, None, Scenario(dropped=("Oak",)))


def test_more_rain_cannot_be_judged_without_weather_on_record(fitted) -> None:
    with pytest.raises(NotEnoughEvidence, match="too little weather"):
        what_changes(fitted, None, Scenario(weather_months=(1,), wet_days=4.0))


def test_a_maker_dropped_leaves_the_others_models(little) -> None:
    made = stock(little, scenario=Scenario(dropped=("Alder",)), paths=300)
    assert made.what_if is not None
    _, other = made.what_if
    north = Item("photocontrol", "PC-A", "North")
    wide = Item("photocontrol", "PC-B", "North")

    assert made.forecast.of(north).sum() > 0
    assert other.forecast.of(north).sum() == 0
    assert other.forecast.of(wide).sum() > made.forecast.of(wide).sum()


def test_a_factor_on_the_hazard_raises_demand_by_it(tmp_path) -> None:
    seldom = register(tmp_path)
    made = stock(seldom, scenario=Scenario(hazard={"photocontrol": 1.5}), paths=2000)
    assert made.what_if is not None
    was, now = made.forecast.used[:, :3].sum(), made.what_if[1].forecast.used[:, :3]

    assert now.sum() / was == pytest.approx(1.5, abs=0.12)


def test_longer_lead_times_order_earlier(little) -> None:
    made = stock(little, scenario=Scenario(lead_time=2.0), paths=300)
    assert made.what_if is not None
    before = {one.item: one.reorder_point for one in made.orders}
    after = {one.item: one.reorder_point for one in made.what_if[1].orders}
    item = Item("photocontrol", "PC-B", "South")

    assert after[item] > before[item]


def test_a_programme_moved_comes_later(tmp_path, fitted) -> None:
    plan = read_plan(written(tmp_path, PLAN))
    now = what_changes(fitted, plan)
    later = what_changes(fitted, plan, Scenario(move_months=6))

    assert min(month for *_, month in later.parts) == 6 + min(
        month for *_, month in now.parts
    )


def test_without_a_plan_a_programme_moved_pauses(fitted) -> None:
    change = what_changes(fitted, None, Scenario(move_months=5))

    assert (change.pace["programme"][:5] == 0).all()
    assert (change.pace["programme"][5:] == 1).all()


# Rules ---------------------------------------------------------------------------


def test_rules_are_shares_that_sum_to_one(tmp_path) -> None:
    path = written(tmp_path, '[photocontrol."*"]\nPC-A = 3\nPC-B = 1\n')

    assert read_rules(path) == {"photocontrol": {"*": {"PC-A": 0.75, "PC-B": 0.25}}}


@pytest.mark.parametrize(
    ("text", "words"),
    [('photocontrol = "PC-A"', "must be a table"),
     ('[photocontrol."*"]\nPC-A = -1', "is no share"),
     ('[photocontrol."*"]\nPC-A = 0', "all zero")],
)  # fmt: skip
def test_rules_that_cannot_be_are_refused(tmp_path, text, words) -> None:
    with pytest.raises(LightwatchError, match=words):
        read_rules(written(tmp_path, text))


def test_rules_change_what_is_foreseen(little) -> None:
    found = stock(little, rules={"photocontrol": {"*": {"PC-B": 1.0}}}, paths=200)

    assert found.forecast.of(Item("photocontrol", "PC-B", "North")).sum() > 0
    assert found.forecast.of(Item("photocontrol", "PC-A", "North")).sum() == 0


def test_repairs_of_every_year_count_where_the_last_has_none(tmp_path) -> None:
    early = [row for row in repairs() if row["performed_at"] < "2020"]
    found = forecast(fit(register(tmp_path, repairs=early), 6), paths=100)

    assert np.any(found.used)
