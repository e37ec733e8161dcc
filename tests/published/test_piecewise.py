"""Piecewise-constant hazards on person-years against published tables.

A natural spline with a knot at every age is free at every age, so ages as categories
are a special case of ours.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import xlogy

from lightwatch.rates.cells import Cells, Failures
from lightwatch.rates.piecewise import fit_hazard
from lightwatch.rates.weather_model import HazardModel
from tests.published.printed import printed

Floats = npt.NDArray[np.float64]

DOCTORS = (
    "Doll & Hill 1966; Breslow 1985; Breslow & Day, Statistical Methods in Cancer "
    "Research II: British doctors, coronary deaths; data from R's boot, values from "
    "memory"
)
DENMARK = (
    "Andersen, Scandinavian Journal of Statistics 4 (1977), 153-158: lung cancer in "
    "four Danish cities; the fit as printed in many texts; data and values from memory"
)


def fitted(deaths: Floats, years: Floats) -> tuple[HazardModel, float]:
    """Fit ages (rows) as free and groups (columns) as levels; return the deviance."""
    ages, groups = deaths.shape
    age, group = (place.ravel() for place in np.indices(deaths.shape))
    month = np.zeros(age.size, np.int64)
    failures = Failures(-age, group, month, month, month, deaths.ravel())
    none = np.zeros((0, groups, 1))
    made = Cells(years[:, :, None], none, failures, np.arange(ages + 1), 1)
    knots = tuple(float(age) for age in range(ages))
    model = fit_hazard(made, None, knots_months=knots, ridge_sd=None)
    expected = model.expected(made)
    assert expected.sum() == pytest.approx(deaths.sum())
    full = (xlogy(deaths, deaths / years) - deaths).sum()
    return model, float(2 * (full - model.log_likelihood))


def test_british_doctors_have_the_printed_effect_of_smoking() -> None:
    path = Path(__file__).parent / "data" / "breslow.csv"
    with path.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    order = sorted(rows, key=lambda row: (float(row["age"]), float(row["smoke"])))
    years = np.array([float(row["n"]) for row in order]).reshape(5, 2)
    deaths = np.array([float(row["y"]) for row in order]).reshape(5, 2)
    model, deviance = fitted(deaths, years)
    value, error = model.log_level(1)

    assert value == printed("0.3545", DOCTORS)
    assert error == printed("0.1074", DOCTORS)
    assert deviance == printed("12.13", DOCTORS)


YEARS = [
    [3059, 2879, 3142, 2520],
    [800, 1083, 1050, 878],
    [710, 923, 895, 839],
    [581, 834, 702, 631],
    [509, 634, 535, 539],
    [605, 782, 659, 619],
]
CASES = [
    [11, 13, 4, 5],
    [11, 6, 8, 7],
    [11, 15, 7, 10],
    [10, 10, 11, 14],
    [11, 12, 9, 8],
    [10, 2, 12, 7],
]


def test_danish_cities_have_the_printed_effects_and_deviance() -> None:
    model, deviance = fitted(np.array(CASES, float), np.array(YEARS, float))
    found = [model.log_level(city) for city in (1, 2, 3)]

    assert deviance == printed("23.45", DENMARK)
    assert found[0][0] == printed("-0.3301", DENMARK)
    assert found[0][1] == printed("0.1815", DENMARK)
    assert found[1][0] == printed("-0.3715", DENMARK)
    assert found[1][1] == printed("0.1878", DENMARK)
    assert found[2][0] == printed("-0.2723", DENMARK)
    assert found[2][1] == printed("0.1879", DENMARK)
