"""A kind that ages by burning is told from one that ages by the calendar."""

from __future__ import annotations

import dataclasses
from functools import cache
from typing import Any

import pandas as pd
import pytest

from demo_city import Parameters, simulate
from lightwatch.errors import NotEnoughEvidence
from lightwatch.lives.burning import HoursLit
from lightwatch.rates import life_models as models
from lightwatch.rates.life_models import LifeModels
from lightwatch.rates.piecewise import fit_hazard
from lightwatch.rates.weather_model import HazardModel
from tests.recovery.lives_study import models_of

SEEDS = range(5)
LIGHTS = 2000


@cache
def judged(seed: int, by_burning: bool, lights: int = LIGHTS) -> LifeModels:
    """Judge a city whose lamps burn out, or age by the calendar."""
    parameters = dataclasses.replace(Parameters.city(), lights=lights, batch=None)
    lives = tuple(
        dataclasses.replace(life, by_burning=by_burning and life.kind == "lamp")
        for life in parameters.lives
    )
    return models_of(simulate(dataclasses.replace(parameters, lives=lives), seed=seed))


def clocks(found: LifeModels) -> dict[str, str]:
    return {one.kind: one.clock.name for one in found.lit if one.clock}


@pytest.mark.slow
def test_where_hours_lit_cannot_be_fitted_the_calendar_stands(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refusing(*args: Any, offset: Any = None, **options: Any) -> HazardModel:
        if offset is not None:
            raise NotEnoughEvidence("a trial")
        return fit_hazard(*args, **options)

    usual = judged(0, False, 400)
    judged.cache_clear()
    monkeypatch.setattr(models, "fit_hazard", refusing)
    found = judged(0, False, 400)
    judged.cache_clear()
    ratio = found.weather["lamp"].log_ratio("freeze_thaw")
    assert ratio == usual.weather["lamp"].log_ratio("freeze_thaw")
    assert "lamp" in clocks(usual)
    assert "lamp" not in clocks(found)


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_lamps_that_burn_out_are_fitted_by_hours_lit(seed: int) -> None:
    """Weather did nothing to these lamps; the long nights of winter must not pass for
    frost, and the life in burning years is the one planted."""
    judgement = judged(seed, True)
    assert clocks(judgement)["lamp"] == "burning"
    value, error = judgement.weather["lamp"].log_ratio("freeze_thaw")
    assert abs(value) < 3.3 * error
    fit = next(f for f in judgement.fits if (f.kind, f.type) == ("lamp", "hps"))
    true = Parameters.city().life("lamp", "hps")
    assert fit.by_burning
    scale = fit.weibull.limits("scale", 0.999)
    factor = fit.to_mean_weather
    assert scale.low * factor < true.scale_years < scale.high * factor
    shape = fit.weibull.limits("shape", 0.999)
    assert shape.low < true.shape < shape.high


@pytest.mark.slow
def test_the_life_of_what_burns_out_is_fitted_to_its_hours(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Twice the hours, twice the life; a photocontrol's life stays as it was."""
    ages = ("entry_age", "low_age", "high_age")
    aged = HoursLit.aged

    def doubled(lit: HoursLit, some: pd.DataFrame) -> pd.DataFrame:
        found = aged(lit, some)
        return found.assign(**{name: 2 * found[name] for name in ages})

    usual = judged(0, True)
    judged.cache_clear()
    monkeypatch.setattr(HoursLit, "aged", doubled)
    found = judged(0, True)
    judged.cache_clear()
    for before, after in zip(usual.fits, found.fits, strict=True):
        factor = 2.0 if before.kind == "lamp" else 1.0
        scale = after.weibull.scale_years / before.weibull.scale_years
        assert scale == pytest.approx(factor, rel=1e-6), before.kind


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_lamps_that_age_by_the_calendar_are_never_fitted_by_hours_lit(
    seed: int,
) -> None:
    found = clocks(judged(seed, False))
    assert found["lamp"] in ("calendar", "undecided")
    assert "burning" not in found.values()
