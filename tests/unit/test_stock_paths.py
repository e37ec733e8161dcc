"""Paths: held to a simulation part by part, and honest where little is seen."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.stock.forecast import Item, fit, forecast
from lightwatch.decisions.stock.paths import Drawn, Groups, Planned, project
from lightwatch.decisions.stock.thin import draw_intermittent, draw_rate
from lightwatch.decisions.stock.watching import Names, watch
from lightwatch.decisions.stock.wear import fit_wear
from lightwatch.errors import NotUnderstood
from tests.recovery.stock_worlds import (
    DEPOTS,
    FIRST_MONTH,
    HISTORY,
    fitted_model,
    world,
)
from tests.stocked_towns import LIGHTS, components, register, repair, repairs

MONTHS, OLD = 18, 60


def two_groups() -> Groups:
    """Two models at one depot; ages up to five years, the second few and young."""
    standing = np.zeros((2, OLD + MONTHS))
    standing[0, :OLD] = np.arange(OLD) % 7 + 3
    standing[1, OLD - 6 : OLD] = 4
    to_group = np.array([[[0]], [[1]]])
    zero = np.zeros(2, np.int64)
    return Groups(standing, np.array([0, 1]), np.array([0, 1]), zero, zero, to_group,
                  MONTHS)  # fmt: skip


def drawn(paths: int, *, share: float = 0.3, **changed: object) -> Drawn:
    ages = np.arange(OLD + MONTHS)
    rate = np.stack([0.002 * ages**0.7, np.full(ages.size, 0.02)])
    given = {
        "rate": np.repeat(rate[None], paths, axis=0),
        "level": np.ones((paths, 2)),
        "batch": None,
        "month": np.ones((paths, 1, MONTHS)),
        "shares": [np.tile([1 - share, share], (paths, 1)) for _ in range(2)],
        "coming": np.zeros((paths, 2, MONTHS)),
        "going": np.zeros((paths, 2, MONTHS)),
        "age_weight": None,
    }
    return Drawn(**{**given, **changed})  # type: ignore[arg-type]


def run(paths: int = 4000, **changed: object) -> np.ndarray:
    def draw(some: slice, rng: np.random.Generator) -> Drawn:
        return drawn(some.stop - some.start, **changed)

    return project(two_groups(), draw, MONTHS, 2, paths, np.random.default_rng(3))


def part_by_part(paths: int, seed: int = 4, share: float = 0.3) -> np.ndarray:
    """Simulate the same city with every part a draw of its own."""
    rng = np.random.default_rng(seed)
    groups = two_groups()
    ages = np.arange(OLD + MONTHS)
    rate = np.stack([0.002 * ages**0.7, np.full(ages.size, 0.02)])
    made = np.zeros((paths, MONTHS, 2), np.int64)
    for path in range(paths):
        count = groups.standing.astype(int).copy()
        for month in range(MONTHS):
            age = OLD + month - np.arange(OLD + MONTHS)
            hazard = rate[:, np.clip(age, 0, None)]
            if month:
                hazard[:, OLD + month - 1] += 0.5 * rate[:, 0]
            used = rng.binomial(count, -np.expm1(-hazard) * (age > 0))
            count -= used
            taken = rng.binomial(used.sum(axis=1), share).sum()
            made[path, month] = used.sum() - taken, taken
            count[:, OLD + month] += made[path, month]
    return made


@pytest.mark.slow
def test_paths_have_the_mean_and_spread_of_parts_simulated_one_by_one() -> None:
    ours, theirs = run()[:, :, 0], part_by_part(1500)

    assert ours.mean(axis=0) == pytest.approx(theirs.mean(axis=0), abs=0.25)
    assert ours.sum(axis=1).mean(axis=0) == pytest.approx(
        theirs.sum(axis=1).mean(axis=0), rel=0.02
    )
    assert ours.sum(axis=(1, 2)).std() == pytest.approx(
        theirs.sum(axis=(1, 2)).std(), rel=0.07
    )


def test_what_is_fitted_is_what_was_used() -> None:
    assert run(200, share=1.0)[:, :, 0, 0].sum() == 0
    assert run(200, share=0.0)[:, :, 0, 1].sum() == 0


def test_parts_are_never_used_more_often_than_they_stand() -> None:
    used = run(125, level=np.full((125, 2), 1e6), share=0.0)
    standing = two_groups().standing.sum()

    assert (used.sum(axis=(2, 3)) <= standing + used.max()).all()


def test_a_light_gone_no_longer_uses_parts() -> None:
    def draw(some: slice, rng: np.random.Generator) -> Drawn:
        paths = some.stop - some.start
        return drawn(paths, going=np.full((paths, 2, MONTHS), 1000.0))

    used = project(two_groups(), draw, MONTHS, 2, 100, np.random.default_rng(3))

    assert used[:, 0].sum() > 0
    assert used[:, 1:].sum() < 0.05 * used[:, 0].sum()


def test_a_planned_replacement_of_the_old_lowers_what_is_used() -> None:
    old = tuple(Planned(m, 0, OLD - 24, 60.0) for m in range(3))

    def draw(some: slice, rng: np.random.Generator) -> Drawn:
        paths = some.stop - some.start
        coming = np.zeros((paths, 2, MONTHS))
        coming[:, 0, :3] = 60.0
        return drawn(paths, planned=old, coming=coming)

    planned = project(two_groups(), draw, MONTHS, 2, 500, np.random.default_rng(3))

    assert planned[:, 4:].sum() < 0.85 * run(500)[:, 4:].sum()


def test_half_a_month_uses_half_as_much() -> None:
    def draw(some: slice, rng: np.random.Generator) -> Drawn:
        return drawn(some.stop - some.start)

    half = project(two_groups(), draw, 1, 2, 4000, np.random.default_rng(3), 0.5)
    whole = project(two_groups(), draw, 1, 2, 4000, np.random.default_rng(3), 1.0)

    assert half.sum() / whole.sum() == pytest.approx(0.5, abs=0.03)


def test_the_same_seed_gives_the_same_paths(tmp_path) -> None:
    fitted = fit(register(tmp_path), 6)

    assert (forecast(fitted).used == forecast(fitted).used).all()
    assert (forecast(fitted).used != forecast(fitted, seed=2).used).any()


# The fit -------------------------------------------------------------------------


@pytest.mark.slow
def test_the_true_hazard_is_recovered() -> None:
    lived = world("weibull", 3, units=60_000)
    model = fitted_model(lived)
    assert model.wear is not None
    wear = model.wear
    for of_type in range(4):
        at = np.array([of_type])
        ages = np.arange(24, 144, 24)
        level = wear.layout.levels(of_type, at, np.array([0])) @ wear.terms
        found = np.exp(wear.layout.ages(ages, of_type) @ wear.terms + level)
        assert found == pytest.approx(lived.hazard[of_type, ages], rel=0.2)


def test_the_fit_uses_as_many_as_were_used() -> None:
    lived = world("mixture", 5, units=10_000)
    models, types = (tuple(f"{c}{i}" for i in range(4)) for c in "MT")
    depots = tuple(f"D{i}" for i in range(DEPOTS))
    names = Names(types, models, depots, dict(zip(models, types, strict=True)))
    from lightwatch.decisions.stock.uses import Uses

    now = float(FIRST_MONTH + HISTORY)
    uses = Uses(pd.DataFrame(), lived.lives, FIRST_MONTH, now, now)
    layout, watched = watch(lived.lives, uses, names, np.zeros((DEPOTS, HISTORY, 0)))
    fitted = fit_wear(layout, watched)

    assert sum(one.used.sum() for one in watched) == lived.lives["used"].sum()
    due = sum(
        float(
            (
                one.exposure
                * np.exp(layout.ages(np.arange(len(one.exposure)), one.type)
                         @ fitted.terms)[:, None]
                * np.exp(layout.places(one) @ fitted.terms)
            ).sum()
        )
        for one in watched
    )  # fmt: skip
    assert due == pytest.approx(lived.lives["used"].sum(), rel=1e-3)


# Where little is seen --------------------------------------------------------------


def test_nothing_used_yet_is_not_nothing_to_come(tmp_path) -> None:
    fuse = {"cause": "fuse", "component": "fuse", "fitted_model": "FU-6"}
    others = [{**one, **fuse} for one in repairs()]
    found = forecast(fit(register(tmp_path, repairs=others), 12), paths=2000)
    item = Item("photocontrol", "PC-A", "North")
    year = found.of(item)[:, :12].sum(axis=1)

    assert "few used" in found.methods[item]
    assert 0.02 < (year > 0).mean() < 0.2


def test_a_rate_after_no_event_is_jeffreys() -> None:
    drawn = draw_rate(0.0, 100.0, 200_000, np.random.default_rng(1))

    assert drawn.mean() == pytest.approx(0.005, rel=0.02)


def test_intermittent_demand_keeps_its_mean_and_its_lumps() -> None:
    series = [0, 0, 3, 0, 0, 0, 4, 0, 2, 0, 0, 3] * 4
    drawn = draw_intermittent(series, 12, 20_000, np.random.default_rng(1))

    assert drawn.mean() == pytest.approx(np.mean(series), rel=0.25)
    assert drawn.var() > 1.5 * drawn.mean()


def test_parts_of_unknown_age_make_the_range_wider(tmp_path) -> None:
    many = [repair(i, f"{2018 + i // 40}-{i % 12 + 1:02d}-15T12:00:00", (7 * i) % 60)
            for i in range(120)]  # fmt: skip
    dated = [{**row, "installed_on": row["installed_on"] or "2014"}
             for row in components()]  # fmt: skip
    undated = [{**row, "installed_on": ""} if row["kind"] == "fuse" else row
               for row in components()]  # fmt: skip
    fuses = [repair(500 + i, f"2021-{i % 12 + 1:02d}-20T12:00:00", i, cause="fuse",
                    component="fuse", fitted_model="FU-6")
             for i in range(15)]  # fmt: skip
    known = fit(register(tmp_path / "a", components=dated, repairs=many + fuses), 12)
    unknown = fit(
        register(tmp_path / "b", components=undated, repairs=many + fuses), 12
    )
    kinds = {model.kind: model for model in unknown.models}

    assert kinds["fuse"].stands.unknown.sum() == LIGHTS - 15
    assert {m.kind: m for m in known.models}["fuse"].stands.unknown.sum() == 0
    weight = kinds["fuse"].stands.age_weight(50, np.random.default_rng(1))
    assert weight is not None
    assert weight.std(axis=0).max() > 0


@pytest.mark.parametrize("months", [0, -3, 121])
def test_months_out_of_range_are_refused(tmp_path, months: int) -> None:
    with pytest.raises(NotUnderstood, match="expected 1 to 120"):
        fit(register(tmp_path, repairs=repairs(1)), months)
