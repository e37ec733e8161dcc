"""Orders: levels from paths, boxes and minimum orders, what is on order, budget."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.stock.budget import budget
from lightwatch.decisions.stock.forecast import Forecast, Item, fit, forecast
from lightwatch.decisions.stock.orders import Order, Terms, orders
from lightwatch.decisions.stock.policies import best_continuous, chances
from lightwatch.decisions.stock.shelf import Served, Shelf
from lightwatch.errors import NotUnderstood
from lightwatch.observations.known import Known
from lightwatch.register import Register
from tests.stocked_towns import MODELS, STOCK, register, repair, repairs, town

A = Item("photocontrol", "PC-A", "North")
B = Item("photocontrol", "PC-B", "North")


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    return fit(register(tmp_path_factory.mktemp("orders")), 12)


def steady(fitted, a_month: int, item: Item = A, paths: int = 4000) -> Forecast:
    """A forecast of one item used at a steady rate, Poisson."""
    drawn = np.random.default_rng(1).poisson(a_month, (paths, fitted.run_months, 1))
    return Forecast((item,), drawn, fitted.first_month, 1.0, {item: "a test"})


def line(made: tuple[Order, ...], item: Item = A) -> Order:
    return next(one for one in made if one.item == item)


def test_the_reorder_point_holds_until_the_next_order_could_be_in(fitted) -> None:
    """35 days and a month of review at ten a month: a mean of 21.5 and a reserve."""
    one = line(orders(fitted, steady(fitted, 10)))

    assert one.expected == pytest.approx(10 * (35 / 30.4375 + 1), rel=0.03)
    assert one.reorder_point == one.needed
    need = np.random.default_rng(2).poisson(one.expected, 100_000)
    assert np.quantile(need, 0.95) <= one.reorder_point <= np.quantile(need, 0.995)


def test_a_higher_service_level_orders_earlier(fitted) -> None:
    points = [
        line(orders(fitted, steady(fitted, 10), Terms(level))).reorder_point
        for level in (0.8, 0.95, 0.99)
    ]

    assert points == sorted(set(points))


def test_orders_are_whole_boxes_and_at_least_the_minimum(fitted) -> None:
    one = line(orders(fitted, steady(fitted, 1)))

    assert one.on_hand == 3
    assert one.quantity == 24
    assert "whole boxes of 12" in one.reason


def test_nothing_is_ordered_while_what_is_there_suffices(fitted) -> None:
    south = Item("photocontrol", "PC-A", "South")
    one = line(orders(fitted, steady(fitted, 2, south)), south)

    assert (one.on_hand, one.quantity) == (30, 0)
    assert one.stockout_probability < 0.01


def test_the_chance_of_running_out_falls_as_the_service_level_says(fitted) -> None:
    """Put exactly the reorder point on the shelf: it must do at the service level."""
    found = steady(fitted, 10)
    point = line(orders(fitted, found)).reorder_point
    holding = replace(fitted.shelf.holdings["PC-A", "North"], on_hand=point)
    shelf = replace(
        fitted.shelf, holdings={**fitted.shelf.holdings, ("PC-A", "North"): holding}
    )
    one = line(orders(replace(fitted, shelf=shelf), found))

    assert one.quantity == 0
    assert 0.01 < one.stockout_probability <= 0.05


def test_what_is_on_order_counts_from_the_day_it_is_due(fitted) -> None:
    in_time = line(orders(fitted, steady(fitted, 4, B)), B)

    assert (in_time.on_hand, in_time.on_order, in_time.position) == (2, 20, 22)
    assert in_time.stockout_probability > 0.3  # two must last until the 20th


def test_what_comes_too_late_does_not_count(fitted) -> None:
    late = replace(
        fitted.shelf.holdings["PC-B", "North"], due=fitted.register.as_of + 400 * 86.4e9
    )
    shelf = replace(
        fitted.shelf, holdings={**fitted.shelf.holdings, ("PC-B", "North"): late}
    )
    one = line(orders(replace(fitted, shelf=shelf), steady(fitted, 4, B)), B)

    assert one.position == 2
    assert "comes too late" in one.reason


def test_what_is_on_order_and_hardly_needed_is_told(fitted) -> None:
    many = replace(fitted.shelf.holdings["PC-B", "North"], on_hand=90)
    shelf = replace(
        fitted.shelf, holdings={**fitted.shelf.holdings, ("PC-B", "North"): many}
    )
    one = line(orders(replace(fitted, shelf=shelf), steady(fitted, 1, B)), B)

    assert one.not_needed
    assert "ask to cancel" in one.reason


def test_a_model_not_in_the_stock_list_counts_as_none(fitted) -> None:
    south = Item("photocontrol", "PC-B", "South")
    one = line(orders(fitted, steady(fitted, 3, south)), south)

    assert one.on_hand == 0
    assert "not in the stock list" in one.reason


def test_without_a_lead_time_the_answer_says_what_was_assumed(tmp_path) -> None:
    silent = [{**row, "lead_time_days": ""} for row in MODELS]
    found = fit(register(tmp_path, models=silent), 12)
    one = line(orders(found, steady(found, 3)))

    assert one.lead_time_days is None
    assert "no lead time in the catalogue: 90 days assumed" in one.reason


def test_lead_times_that_vary_ask_for_more(fitted) -> None:
    part = fitted.shelf.parts["PC-A"]
    points = []
    for spread in (0.0, 25.0):
        parts = {**fitted.shelf.parts, "PC-A": replace(part, lead_time_sd_days=spread)}
        changed = replace(fitted, shelf=replace(fitted.shelf, parts=parts))
        points.append(line(orders(changed, steady(fitted, 10))).reorder_point)

    assert points[1] > points[0] + 4


def test_the_least_cost_policies_stock_more_when_running_out_costs_more(fitted) -> None:
    for policy in ("least_cost", "continuous"):
        cheap, dear = (
            line(
                orders(
                    fitted,
                    steady(fitted, 10),
                    Terms(policy=policy, shortage_cost=cost),
                )
            )
            for cost in (2.0, 500.0)
        )
        assert cheap.reorder_point < dear.reorder_point
        assert dear.reorder_point < dear.order_up_to


@pytest.mark.parametrize(
    ("costs", "said"),
    [((10.0, 1.0, 0.0), "a unit short costs 0"), ((10.0, 0.0, 5.0), "a unit held")],
)
def test_what_costs_nothing_has_no_order_of_least_cost(costs, said) -> None:
    with pytest.raises(NotUnderstood, match=said):
        best_continuous(chances([0, 1, 1, 2]), costs, 1.0)


def test_orders_where_running_out_costs_nothing_are_refused_in_one_line(fitted) -> None:
    free = Terms(policy="continuous", shortage_cost=0.0)
    with pytest.raises(NotUnderstood, match="a unit short costs 0 a month"):
        orders(fitted, steady(fitted, 10), free)


def test_before_the_shelf_was_counted_nothing_is_ordered(tmp_path) -> None:
    taken = town(tmp_path)
    known = Known(taken.store, taken.register.as_of - 86_400_000_000)
    found = fit(Register(known), 12)

    assert orders(found, forecast(found, paths=50)) == ()


def test_without_a_stock_list_nothing_is_ordered(tmp_path) -> None:
    found = fit(register(tmp_path, stock=[]), 12)
    drawn = forecast(found, paths=50)

    assert drawn.used.any()
    assert orders(found, drawn) == ()


def test_parts_fitted_since_the_shelf_was_counted_are_gone_from_it(tmp_path) -> None:
    from lightwatch.observations.entry import log_repair

    taken = town(tmp_path)
    day = repair(990, "2022-01-05T09:00:00", 0)
    log_repair(
        taken.store,
        {name: value for name, value in day.items() if name != "recorded_at"},
        now=taken.register.as_of + 6 * 86_400_000_000,
        said_by="a test",
    )
    found = fit(taken.register, 12)
    one = line(orders(found, steady(found, 3)))

    assert one.on_hand == 2
    assert "1 fitted since the shelf was counted" in one.reason


def test_the_most_urgent_comes_first(fitted) -> None:
    made = orders(fitted, forecast(fitted, paths=200))
    ordered = [one.quantity > 0 for one in made]

    assert ordered == sorted(ordered, reverse=True)
    assert {(one.item.model, one.item.depot) for one in made} >= {
        (row["model"], row["depot"]) for row in STOCK
    }


def test_the_budget_uses_first_what_is_there(fitted) -> None:
    found = steady(fitted, 10)
    made = orders(fitted, found)
    spent = budget(fitted, found, made)

    assert spent.middle == pytest.approx((120 - 3) * 14, rel=0.03)
    assert spent.low < spent.middle < spent.high
    assert spent.now == sum(one.cost for one in made if one.cost)


def test_a_part_without_a_price_is_named_not_counted(tmp_path) -> None:
    unpriced = [{**MODELS[0], "unit_cost": ""}, *MODELS[1:]]
    found = fit(register(tmp_path, models=unpriced, repairs=repairs(1)), 12)
    drawn = steady(found, 10)
    made = orders(found, drawn)

    assert line(made).cost is None
    assert budget(found, drawn, made).unpriced == ("PC-A",)


@pytest.mark.parametrize(
    ("given", "words"),
    [({"service_level": 1.0}, "service level 1"), ({"policy": "best"}, "policy 'best'"),
     ({"service_level": 0.2}, "service level 0.2"),
     ({"order_cost": -1.0}, "order_cost must not be negative")],
)  # fmt: skip
def test_terms_that_make_no_sense_are_refused(given, words) -> None:
    with pytest.raises(NotUnderstood, match=words):
        Terms(**given)


def test_one_kind_alone_is_ordered_as_among_all(tmp_path) -> None:
    there = register(tmp_path)
    every, alone = (
        orders(found, forecast(found, paths=100))
        for found in (fit(there, 12), fit(there, 12, kind="photocontrol"))
    )

    assert alone == tuple(one for one in every if one.item.kind == "photocontrol")
    assert 0 < len(alone) < len(every)


def test_work_on_a_circuit_comes_from_the_depot_of_most_of_its_lights() -> None:
    lights = pd.DataFrame(
        {
            "light_id": ["L1", "L2", "L3", "L4", "L5", "L6"],
            "circuit_id": ["C1", "C1", "C1", "C2", "C2", ""],
            "depot": ["North", "South", "South", "West", "East", "North"],
        }
    )
    shelf = Shelf({}, ("East", "North", "South", "West"), {})
    served = Served(SimpleNamespace(lights=lights), shelf)

    assert served.of_circuit == {"C1": "South", "C2": "East"}
    who = pd.Series(["L1", "", "", ""]), pd.Series(["C2", "C1", "C2", "C9"])
    assert served.depots(*who).tolist() == ["North", "South", "East", "East"]
