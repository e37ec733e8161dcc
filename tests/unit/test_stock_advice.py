"""Advice: where the hazard rises, and only there; costs and how sure it is."""

from __future__ import annotations

import numpy as np
import pytest

from lightwatch.decisions.assumptions import VisitCosts
from lightwatch.decisions.stock.advising import life_of, replacements, rises
from lightwatch.decisions.stock.forecast import fit
from lightwatch.decisions.stock.grouping import group_replacements
from lightwatch.decisions.stock.replacing import (
    Life,
    best_age,
    opportunity_cost,
    run_to_failure,
)
from lightwatch.errors import NotUnderstood
from tests.stocked_towns import CIRCUITS, LIGHTS, register, repair

MANY = 600


def lights(count: int) -> list[dict[str, object]]:
    return [
        {"light_id": f"L{i:03d}", "longitude": 10 + i * 1e-4, "latitude": 50,
         "circuit_id": "C1", "technology": "led", "depot": "North"}
        for i in range(count)
    ]  # fmt: skip


def renewed(shape: float, scale_months: float, seed: int = 3):
    """Photocontrols that fail by a Weibull life, watched for four years."""
    rng = np.random.default_rng(seed)
    parts, rows = [], []
    for i in range(MANY):
        born = -float(rng.uniform(0, 120))
        fails = born
        while fails <= 0:
            fails = born + scale_months * rng.weibull(shape)
            born = born if fails > 0 else -float(rng.uniform(0, 24))
        year, month = divmod(int(2018 * 12 + born), 12)
        parts.append({"light_id": f"L{i:03d}", "kind": "photocontrol",
                      "model": "PC-A",
                      "installed_on": f"{year}-{month + 1:02d}"})  # fmt: skip
        while fails < 48:
            at = f"{2018 + int(fails) // 12}-{int(fails) % 12 + 1:02d}-14T12:00:00"
            rows.append(repair(len(rows), at, i, fitted_model="PC-A"))
            fails += max(scale_months * rng.weibull(shape), 0.5)
    return parts, rows


def visits(a_year: int) -> list[dict[str, object]]:
    """Return visits for another reason: fuses changed, so many a year."""
    return [
        repair(90_000 + i, f"{2018 + i // a_year}-{i % 12 + 1:02d}-03T12:00:00",
               (7 * i) % MANY, cause="fuse", component="fuse", fitted_model="FU-6")
        for i in range(4 * a_year)
    ]  # fmt: skip


def town(folder, shape: float, scale_months: float, a_year: int = 300):
    parts, rows = renewed(shape, scale_months)
    return fit(
        register(folder, lights=lights(MANY), components=parts, circuits=CIRCUITS,
                 repairs=[*rows, *visits(a_year)] if a_year else rows),
        12,
    )  # fmt: skip


def of_photocontrols(found):
    return next(one for one in found if one.kind == "photocontrol")


@pytest.mark.slow
def test_a_part_that_wears_out_is_changed_while_the_truck_is_there(tmp_path) -> None:
    fitted = town(tmp_path, 4.0, 60.0)
    found = of_photocontrols(replacements(fitted, VisitCosts(while_there=2.0)))

    assert found.visits_per_year == pytest.approx(0.5, rel=0.1)
    ages = np.linspace(0, 20, 2401)
    true = Life(ages, np.exp(-((ages / 5.0) ** 4))[None])
    cost = opportunity_cost(true, 2.0 + 14.0, 180.0 + 14.0, found.visits_per_year)
    best, least = best_age(true, cost)
    assert found.older_than_years == pytest.approx(best[0], abs=0.4)
    assert found.saving == pytest.approx(
        1 - least[0] / run_to_failure(true, 194.0)[0], abs=0.05
    )
    assert found.low < found.saving < found.high


@pytest.mark.slow
def test_where_no_truck_comes_for_another_reason_nothing_is_gained(tmp_path) -> None:
    fitted = town(tmp_path, 4.0, 60.0, a_year=0)
    found = of_photocontrols(replacements(fitted, VisitCosts(failure=400.0)))

    assert found.failure_cost == 414.0
    assert found.visits_per_year == 0.0
    assert found.older_than_years is None
    assert found.saving == pytest.approx(0.0, abs=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("shape", [0.8, 1.0])
def test_a_part_that_does_not_wear_out_is_left_alone(tmp_path, shape: float) -> None:
    fitted = town(tmp_path, shape, 60.0)
    found = replacements(fitted, VisitCosts(failure=2000.0, while_there=1.0))
    groups = group_replacements(fitted, VisitCosts(failure=2000.0, in_a_row=1.0))

    assert of_photocontrols(found).older_than_years is None
    assert not any(one.advised for one in groups)


@pytest.mark.slow
def test_a_district_that_wears_out_is_worth_doing_in_a_row(tmp_path) -> None:
    fitted = town(tmp_path, 5.0, 90.0)
    cheap = group_replacements(fitted, VisitCosts(failure=2000.0, in_a_row=1.0))[0]
    dear = group_replacements(fitted, VisitCosts(failure=20.0, in_a_row=200.0))[0]

    assert cheap.parts > LIGHTS
    assert cheap.failures > cheap.failures_if_new
    assert cheap.advised
    assert cheap.low < cheap.saving < cheap.high
    assert not dear.advised


def test_rising_is_judged_on_the_draws() -> None:
    marks = np.array([1.0, 5.0, 10.0, 19.0])
    up = np.repeat(np.linspace(1, 2, 20)[None], 100, axis=0)
    mixed = np.concatenate([up, up[:30, ::-1]])

    assert rises(up, marks)
    assert not rises(up[:, ::-1], marks)
    assert not rises(mixed, marks)


def test_with_a_visit_a_month_early_replacement_costs_as_age_replacement() -> None:
    """Many visits make the opportunity certain: the cost is that of the part."""
    ages = np.arange(241) / 12
    hazard = np.repeat((3 / 10 * (ages[:-1] / 10) ** 2 / 12)[None], 2, axis=0)
    life = life_of(hazard)
    often = opportunity_cost(life, 20.0, 200.0, 400.0)[0]
    seldom = opportunity_cost(life, 20.0, 200.0, 1e-6)[0]
    from lightwatch.decisions.stock.replacing import age_cost

    at = 48
    assert often[at] == pytest.approx(age_cost(life, 20.0, 200.0)[0][at], rel=0.02)
    assert seldom[at] == pytest.approx(run_to_failure(life, 200.0)[0], rel=0.02)


def test_a_visit_cannot_cost_less_than_nothing() -> None:
    with pytest.raises(NotUnderstood, match="while_there must not be negative"):
        VisitCosts(while_there=-1.0)
