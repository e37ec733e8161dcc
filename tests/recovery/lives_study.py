"""Do fitted lives and weather ratios find what the invented city was made from?

Cities with wear-out, weather, late detection and wrong first repairs are simulated,
written, loaded and judged; each true shape, scale, B10 and weather ratio either lies
inside its 95 % limits or not.
"""

from __future__ import annotations

import dataclasses
import math
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from demo_city import City, Parameters, simulate
from lightwatch.lives import lives
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.rates.life_models import LifeModels, life_models
from lightwatch.register import Register
from lightwatch.store import open_store

KINDS = ("photocontrol", "lamp")
LIGHTS = 800


def models_of(city: City) -> LifeModels:
    """Write, load and judge one city."""
    with tempfile.TemporaryDirectory() as folder:
        package = Path(folder) / "package"
        city.write(package)
        store = open_store(f"sqlite:///{folder}/city.db", create=True)
        load(store, Package.open(package), now=time.time_ns() // 1000, said_by="study")
        models = life_models(lives(Register(Known(store, default_as_of(store)))))
        store.engine.dispose()
    return models


def _row(seed: int, what: str, truth: float, low: float, high: float) -> dict[str, Any]:
    inside = low <= truth <= high
    return {"seed": seed, "what": what, "truth": truth, "inside": inside}


def of_one_city(seed: int) -> pd.DataFrame:
    """Return one row for each true value: whether it lies inside its limits."""
    parameters = dataclasses.replace(Parameters.city(), lights=LIGHTS, batch=None)
    city = simulate(parameters, seed=seed)
    models = models_of(city)
    true = {(life.kind, life.type): life for life in city.truth.lives}
    rows = []
    for fit in models.fits:
        life = true.get((fit.kind, fit.type))
        if life is None or fit.kind not in KINDS:
            continue
        b10 = life.scale_years * (-math.log(0.9)) ** (1 / life.shape)
        factor = fit.to_mean_weather
        for what, truth, scaled in (
            ("shape", life.shape, 1.0),
            ("scale", life.scale_years, factor),
            ("b10", b10, factor),
        ):
            found = fit.weibull.limits(what)
            low, high = found.low * scaled, found.high * scaled
            rows.append(_row(seed, what, truth, low, high))
    for kind, covariate, ratio in models.ratios():
        if kind in KINDS:
            life = next(one for one in city.truth.lives if one.kind == kind)
            truth = math.exp(life.wet if covariate == "wet" else life.freeze_thaw)
            rows.append(_row(seed, "ratio", truth, ratio.low, ratio.high))
    return pd.DataFrame(rows)


def study(seeds: Iterable[int]) -> pd.DataFrame:
    """Return the rows of several cities."""
    return pd.concat([of_one_city(seed) for seed in seeds], ignore_index=True)
