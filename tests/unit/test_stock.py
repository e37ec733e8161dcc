"""What left the shelf, who serves whom, and what may replace what."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.stock.climate import lag_shares
from lightwatch.decisions.stock.flows import PACE_SD, pace_sd
from lightwatch.decisions.stock.forecast import Item, fit, forecast
from lightwatch.decisions.stock.sharing import sharing
from lightwatch.decisions.stock.shelf import Served, read_shelf
from lightwatch.decisions.stock.stocking import stock
from lightwatch.decisions.stock.uses import _exploded, uses
from lightwatch.decisions.stock.vintages import vintages
from lightwatch.errors import NotUnderstood, UnknownAsset
from tests.stocked_towns import LIGHTS, MODELS, STOCK, name, register, repair, repairs


@pytest.fixture(scope="module")
def little(tmp_path_factory):
    return register(tmp_path_factory.mktemp("stock"))


@pytest.fixture(scope="module")
def used(little):
    return uses(little, Served(little.known, read_shelf(little.known)))


def replaced(folder: Path, more: list[dict[str, str]]) -> pd.DataFrame:
    """Return the parts fitted where these repairs come on top."""
    found = register(folder, repairs=[*repairs(), *more])
    return uses(found, Served(found.known, read_shelf(found.known))).fitted


# The shelf ------------------------------------------------------------------


def test_a_light_without_a_depot_is_served_by_the_nearest(little) -> None:
    served = Served(little.known, read_shelf(little.known))

    assert served.of_light[name(40)] == "North"
    assert served.of_light[name(41)] == "South"
    assert served.of_circuit == {"C1": "North", "C2": "South"}


def test_a_light_without_a_depot_is_served_by_the_only_one_with_stock(tmp_path) -> None:
    north = [row for row in STOCK if row["depot"] == "North"]
    found = register(tmp_path, stock=north)
    served = Served(found.known, read_shelf(found.known))

    assert {served.of_light[name(i)] for i in range(20, LIGHTS)} == {"North"}


def test_a_negative_stock_is_refused(little, monkeypatch) -> None:
    """Intake refuses it already; a store that holds one is told of all the same."""
    frame = pd.DataFrame(STOCK).assign(on_hand="-4", on_order="0", due_on="")
    monkeypatch.setattr(type(little.known.store), "frame", lambda *_, **__: frame)
    with pytest.raises(NotUnderstood, match=r"PC-A at North.*'-4'.*0 or more"):
        read_shelf(little.known)


def test_a_negative_stock_is_rejected_at_the_door(tmp_path) -> None:
    from tests.stocked_towns import town

    taken = town(tmp_path, stock=[{**STOCK[0], "on_hand": -4}, *STOCK[1:]])

    assert [row.reason for row in taken.outcome.rejects if row.column == "on_hand"]


def test_without_a_lead_time_the_longest_of_its_kind_is_assumed(tmp_path) -> None:
    silent = [{**MODELS[0], "lead_time_days": ""}, *MODELS[1:]]
    shelf = read_shelf(register(tmp_path, models=silent).known)

    assert shelf.lead_time("PC-A")[0] == 60
    assert shelf.lead_time("PC-A")[2] is False
    assert shelf.lead_time("PC-B")[::2] == (60, True)


# What left the shelf ---------------------------------------------------------


def test_every_part_that_a_repair_fitted_left_the_shelf(used) -> None:
    assert len(used.fitted) == 40
    assert used.fitted["renewed"].all()
    assert used.lives["used"].sum() == 40


def test_a_part_that_had_not_been_the_fault_left_the_shelf_too(tmp_path) -> None:
    wrong = repair(900, "2021-11-10T12:00:00", 3, cause="fuse")
    fitted = replaced(tmp_path, [wrong])

    assert len(fitted) == 41
    assert not fitted["programme"].any()


def test_a_programme_is_kept_apart(tmp_path) -> None:
    planned = repair(900, "2021-11-10T12:00:00", 3, cause="programme")
    fitted = replaced(tmp_path, [planned])

    assert fitted["programme"].sum() == 1


def test_two_parts_fitted_at_once_are_two(tmp_path) -> None:
    both = repair(900, "2021-11-10T12:00:00", 3, fitted_model="PC-B + FU-6")
    fitted = replaced(tmp_path, [both])

    assert sorted(fitted.tail(2)["kind"]) == ["fuse", "photocontrol"]


def test_a_part_that_came_off_nothing_on_record_has_no_ages(tmp_path) -> None:
    main_fuse = {**repair(900, "2021-11-10T12:00:00", 3, cause="fuse",
                          component="fuse", fitted_model="FU-6"),
                 "light_id": "", "circuit_id": "C1"}  # fmt: skip
    found = register(tmp_path, repairs=[*repairs(), main_fuse])
    drawn = forecast(fit(found, 12), paths=200)
    item = Item("fuse", "FU-6", "North")

    fitted = uses(found, Served(found.known, read_shelf(found.known))).fitted
    assert not fitted[fitted["kind"] == "fuse"]["renewed"].any()
    assert drawn.of(item).sum() > 0


def test_the_month_is_the_one_of_the_repair(tmp_path) -> None:
    late = repair(900, "2021-10-31T23:30:00", 3)
    fitted = replaced(tmp_path, [late])

    assert np.floor(fitted["month"].iloc[-1]) == (2021 - 1970) * 12 + 9


# Which model replaces which ---------------------------------------------------


def counted(pairs: list[tuple[str, str]], month: float = 100.0) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "removed": [off for off, _ in pairs],
            "model": [on for _, on in pairs],
            "removed_type": "electronic",
            "month": month,
        }
    )


def test_shares_are_those_of_the_last_year() -> None:
    frame = pd.concat(
        [counted([("A", "A")] * 90, 80.0), counted([("A", "B")] * 90, 95.0)]
    )
    drawn = sharing(frame, 101.0).draw(("A", "electronic"), "", 400, rng())

    assert drawn.shape == (400, 1)
    assert sharing(frame, 101.0).fitted == ("B",)


def test_years_that_differ_make_the_shares_less_sure() -> None:
    now = [("A", "A")] * 70 + [("A", "B")] * 30
    alike = pd.concat([counted(now, 85.0), counted(now, 95.0)])
    before = [("A", "A")] * 30 + [("A", "B")] * 70
    turned = pd.concat([counted(before, 85.0), counted(now, 95.0)])
    sure, unsure = (
        sharing(frame, 101.0).draw(("A", "electronic"), "", 2000, rng())[:, 0]
        for frame in (alike, turned)
    )

    assert sure.mean() == pytest.approx(0.7, abs=0.02)
    assert unsure.std() > 1.5 * sure.std()


def test_a_model_is_fitted_only_where_its_voltage_allows() -> None:
    frame = counted([("A", "A")] * 50 + [("A", "B")] * 50)
    drawn = sharing(frame, 101.0).draw(("A", "electronic"), "B", 50, rng())

    assert (drawn[:, 0] == 0).all()
    assert drawn[:, 1] == pytest.approx(1.0)


def test_the_little_town_fits_only_the_wide_model_on_480_volts(tmp_path) -> None:
    mixed = [
        repair(i, f"2021-{i % 12 + 1:02d}-15T12:00:00", 2 * (i % 30)) for i in range(40)
    ]
    found = forecast(fit(register(tmp_path, repairs=mixed), 12), paths=300)

    south = found.of(Item("photocontrol", "PC-A", "South"))
    assert south.sum() == 0


def test_rules_stand_in_place_of_what_was_learned() -> None:
    frame = counted([("A", "A")] * 90)
    ruled = sharing(frame, 101.0, rules={"*": {"B": 0.25, "A": 0.75}})
    drawn = ruled.draw(("A", "electronic"), "", 100, rng())

    assert ruled.fitted == ("A", "B")
    assert drawn[:, 1] == pytest.approx(0.25, abs=0.01)


def test_when_a_model_is_gone_the_others_take_its_share() -> None:
    frame = counted([("A", "A")] * 50 + [("A", "B")] * 30 + [("A", "C")] * 20)
    drawn = sharing(frame, 101.0).without(["A"]).draw(("A", "x"), "", 4000, rng())

    assert (drawn[:, 0] == 0).all()
    assert drawn[:, 1].mean() == pytest.approx(0.6, abs=0.03)


def test_where_none_was_ever_fitted_like_replaces_like() -> None:
    shares = sharing(counted([]), 101.0, ["A", "B"])

    assert shares.draw(("B", "x"), "", 10, rng())[:, 1] == pytest.approx(1.0)


def test_a_rule_for_a_model_that_is_not_there_is_refused(little) -> None:
    rules = {"photocontrol": {"*": {"PC-Z": 1.0}}}
    with pytest.raises(UnknownAsset, match=r"no photocontrol 'PC-Z'.*PC-A, PC-B"):
        stock(little, rules=rules, paths=50)


# Smaller things -----------------------------------------------------------------


def rng() -> np.random.Generator:
    return np.random.default_rng(5)


@pytest.mark.parametrize("delay", [0.0, 1.0, 10.0, 45.0, 200.0])
def test_weather_is_spread_over_the_months_after_it(delay: float) -> None:
    shares = lag_shares(delay)

    assert shares.sum() == pytest.approx(1.0)
    assert (shares >= 0).all()


def test_a_delay_spreads_weather_as_simulated() -> None:
    day = rng().random(400_000) + rng().exponential(45.0 / 30.4375, 400_000)
    seen = np.bincount(np.minimum(day.astype(int), 3), minlength=4) / day.size

    assert lag_shares(45.0) == pytest.approx(seen, abs=0.01)


def test_the_pace_of_programmes_is_as_unsure_as_past_years_were() -> None:
    steady = np.repeat(np.arange(0, 96), 10) + 0.5
    wild = np.concatenate([np.full(40 * 3**k, 12.0 * k + 5) for k in range(4)])

    assert pace_sd(steady, 96.0, 0.0, PACE_SD["programme"]) == pytest.approx(0.1)
    assert pace_sd(wild, 48.0, 0.0, 0.5) > 0.9


def test_a_bad_batch_is_known_by_its_failures() -> None:
    table = pd.DataFrame(
        {
            "model": ["A"] * 10,
            "year": range(40, 50),
            "used": [20, 22, 18, 19, 60, 21, 20, 18, 22, 20],
            "expected": [20.0] * 10,
        }
    )
    found = vintages(table)
    drawn = found.draw(["A"], range(40, 51), 2000, rng()).mean(axis=0)[0]

    assert found.shape is not None
    assert drawn[4] > 2.0
    assert drawn[0] == pytest.approx(1.0, abs=0.15)
    assert drawn[10] == pytest.approx(1.0, abs=0.15)


def test_batches_alike_have_no_factor() -> None:
    table = pd.DataFrame(
        {"model": "A", "year": range(30, 50), "used": 20, "expected": 20.0}
    )

    assert vintages(table).shape is None


def test_a_part_of_no_name_is_of_the_kind_that_was_worked_on() -> None:
    repairs = pd.DataFrame(
        {
            "component": ["photocontrol", ""], "cause": ["", "lamp"],
            "action": "replaced", "fitted_model": ["", "LP + PC"],
        }
    )  # fmt: skip
    shelf = SimpleNamespace(parts={"PC": SimpleNamespace(kind="photocontrol")})
    register = SimpleNamespace(known=SimpleNamespace(repairs=repairs))
    assert _exploded(register, shelf).to_numpy().tolist() == [
        [0, "", "photocontrol"], [1, "LP", "lamp"], [1, "PC", "photocontrol"],
    ]  # fmt: skip
