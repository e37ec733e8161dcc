"""Order policies against printed examples, and against stockpyl."""

from __future__ import annotations

import warnings
from collections.abc import Iterator

import numpy as np
import pytest
from scipy.stats import nbinom, norm, poisson

from lightwatch.decisions.stock.policies import (
    best_continuous,
    best_periodic,
    carrying,
    continuous_cost,
    economic_quantity,
    losses,
    newsvendor,
    quantile,
)
from tests.published.printed import printed

SNYDER = (
    "Snyder & Shen, Fundamentals of Supply Chain Theory, 2nd ed., as printed in the "
    "docstrings of stockpyl 1.0.2 (shared checks), here to nine decimals"
)
ZHENG = (
    "Y.-S. Zheng, A. Federgruen, Operations Research 39 (1991), 654-665, table I: "
    "Poisson demand, K = 64, h = 1, p = 9, no lead time; from memory"
)
NAHMIAS = "S. Nahmias, Production and Operations Analysis; from memory"
TABLE = "normal loss function, any table of it"


def by_poisson(mean: float) -> np.ndarray:
    return poisson.pmf(np.arange(int(mean + 20 * mean**0.5 + 30)), mean)


def by_normal(mean: float, spread: float, units_per_one: int) -> np.ndarray:
    """Chances of a normal demand in small units, what is below zero put to zero."""
    top = int((mean + 9 * spread) * units_per_one)
    edges = (np.arange(top + 2) - 0.5) / units_per_one
    edges[0] = -np.inf
    return np.diff(norm.cdf(edges, mean, spread))


def test_the_newsvendor_with_poisson_demand() -> None:
    stock, cost = newsvendor(by_poisson(50), 0.18, 0.70)

    assert stock == 56
    assert cost == printed("1.797235212", SNYDER)


def test_the_newsvendor_with_normal_demand() -> None:
    """Units of a hundredth stand for the normal's continuum."""
    stock, cost = newsvendor(by_normal(50, 8, 100), 0.18 / 100, 0.70 / 100)

    assert stock / 100 == pytest.approx(56.60395592743389, abs=0.01)
    assert cost == pytest.approx(1.9976051931766445, abs=1e-5), SNYDER


def test_the_newsstand_keeps_fifteen_papers() -> None:
    """Mean 11.73, standard deviation 4.74, 50 cents short, 15 over: 15.24."""
    stock, _ = newsvendor(by_normal(11.73, 4.74, 100), 0.15 / 100, 0.50 / 100)

    assert stock / 100 == pytest.approx(15.24, abs=0.03), NAHMIAS


@pytest.mark.parametrize(
    ("units", "short"),
    [(0.0, "0.3989"), (0.5, "0.1978"), (1.0, "0.0833"), (1.5, "0.0293"),
     (2.0, "0.0085"), (3.0, "0.0004")],
)  # fmt: skip
def test_units_short_are_the_tabled_normal_loss(units: float, short: str) -> None:
    demand = by_normal(10, 1, 100)
    found, _ = losses(demand, (10 + units) * 100)

    assert found[0] / 100 == printed(short, TABLE)


def test_units_short_and_over_of_a_poisson() -> None:
    short, over = losses(by_poisson(15), 18)

    assert short[0] == printed("0.517609528", SNYDER)
    assert over[0] == printed("3.517609528", SNYDER)


def test_units_short_and_over_of_a_negative_binomial() -> None:
    demand = nbinom.pmf(np.arange(600), 4, 0.2)
    short, over = losses(demand, 14)

    assert short[0] == printed("4.447304632", SNYDER)
    assert over[0] == pytest.approx(2.447304632028364, abs=1e-9), SNYDER


def test_the_economic_order_quantity_of_candy() -> None:
    quantity, cost = economic_quantity(8, 0.225, 1300)

    assert quantity == printed("304.046780026", SNYDER)
    assert cost == printed("68.410525506", SNYDER)


def test_the_economic_order_quantity_of_pencils() -> None:
    """3,120 a year, 12 an order, 25 % a year on 2 cents: 3,870."""
    quantity, _ = economic_quantity(12, 0.25 * 0.02, 3120)

    assert quantity == printed("3870", NAHMIAS)


def test_fifteen_suffice_for_a_lead_time_demand_of_ten_in_95_of_100() -> None:
    demand = by_poisson(10)

    assert quantile(demand, 0.95) == 15
    assert demand[:16].sum() == printed("0.9513", "Poisson table, any")


def test_r_and_q_of_least_cost_with_poisson_demand() -> None:
    found = best_continuous(by_poisson(1.5 * 2), (100, 20, 150), 1.5)

    assert (found.low, found.high - found.low) == (3, 5)
    assert found.cost == printed("107.923580633", SNYDER)


def test_the_cost_of_r_and_q_with_normal_demand() -> None:
    """Half units stand for the continuum; all is moved up so that none is below 0."""
    tau, scale, moved = 1 / 12, 2, 400
    demand = by_normal(1300 * tau + moved, 150 * tau**0.5, scale)
    low, quantity = (126.8 + moved) * scale, 328.5 * scale
    costs = 8, 0.225 / scale, 7.5 / scale
    cost = continuous_cost(demand, round(low), round(quantity), costs, 1300 * scale)

    assert cost == pytest.approx(78.07116250928294, abs=0.02), SNYDER


def test_s_and_big_s_of_least_cost_with_poisson_demand() -> None:
    demand = by_poisson(6)
    found = best_periodic(demand, demand, (5, 1, 4))

    assert (found.low, found.high) == (4, 10)
    assert found.cost == printed("8.034111561", SNYDER)


@pytest.mark.parametrize(
    ("mean", "low", "high", "cost"),
    [(10, 6, 40, "35.022"), (15, 10, 49, "42.698"), (20, 14, 62, "49.173"),
     (25, 19, 56, "54.262"), (35, 28, 77, "61.215"),
     (40, 33, 87, "64.512"), (45, 37, 97, "67.776"), (50, 42, 108, "70.975"),
     (55, 47, 118, "74.149"), (60, 52, 129, "77.306")],
)  # fmt: skip
def test_s_and_big_s_are_those_of_the_table(
    mean: int, low: int, high: int, cost: str
) -> None:
    demand = by_poisson(mean)
    found = best_periodic(demand, demand, (64, 1, 9))

    assert (found.low, found.high) == (low, high)
    assert found.cost == printed(cost, ZHENG)


@pytest.mark.parametrize(
    ("mean", "high", "cost"),
    [(65, 75, "78.518"), (70, 81, "79.037"), (75, 86, "79.554")],
)
def test_with_much_demand_an_order_goes_out_every_period(
    mean: int, high: int, cost: str
) -> None:
    """Many s cost the same to all digits, so S and the cost are held to the table."""
    demand = by_poisson(mean)
    found = best_periodic(demand, demand, (64, 1, 9))

    assert found.high == high
    assert found.cost == printed(cost, ZHENG)


@pytest.fixture(scope="module")
def oracle() -> Iterator[object]:
    pytest.importorskip("stockpyl", reason="stockpyl is not installed (extra test)")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import stockpyl.loss_functions
        import stockpyl.rq
        import stockpyl.ss

        yield stockpyl


@pytest.mark.parametrize("seed", range(12))
def test_stockpyl_finds_the_same_levels(oracle, seed: int) -> None:
    rng = np.random.default_rng(seed)
    mean, order = rng.uniform(0.5, 12), rng.uniform(2, 150)
    holding, shortage = rng.uniform(0.2, 4), rng.uniform(5, 90)
    costs = order, holding, shortage
    demand = by_poisson(mean)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        low, high, cost = oracle.ss.s_s_discrete_exact(
            holding, shortage, order, True, mean
        )
        r, q, rq_cost = oracle.rq.r_q_poisson_exact(holding, shortage, order, mean, 2.0)
    periodic = best_periodic(demand, demand, costs)
    continuous = best_continuous(by_poisson(2 * mean), costs, mean)

    assert periodic.cost == pytest.approx(cost, rel=1e-6)
    assert (periodic.low, periodic.high) == (low, high)
    assert continuous.cost == pytest.approx(rq_cost, rel=1e-6)
    assert (continuous.low, continuous.high - continuous.low) == (r, q)


def test_stockpyl_finds_the_same_losses(oracle) -> None:
    for mean, units in ((0.3, 1), (4.0, 2), (11.0, 17)):
        short, over = losses(by_poisson(mean), units)
        theirs = oracle.loss_functions.poisson_loss(units, mean)
        assert (short[0], over[0]) == pytest.approx(theirs, abs=1e-9)


def test_costs_of_a_stock_are_its_losses_weighed() -> None:
    demand = by_poisson(3)
    short, over = losses(demand, [0, 2, 5])

    assert carrying(demand, [0, 2, 5], 2.0, 7.0) == pytest.approx(2 * over + 7 * short)
