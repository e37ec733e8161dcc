"""Lives of the shared town: the contract's document, and next year's failures."""

from __future__ import annotations

import json

import jsonschema
import pytest
from typer.testing import CliRunner

from lightwatch.cli import app
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates.backtest import backtest


@pytest.fixture(scope="module")
def document(town):
    result = CliRunner().invoke(app, ["lives", "--json", "--db", town.address])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_lives_keep_the_contract(document, shared) -> None:
    schema = json.loads((shared / "contract" / "lives.schema.json").read_text("utf-8"))
    jsonschema.validate(document, schema)
    kinds = {(fit["kind"], fit["type"]) for fit in document["fits"]}
    assert {("lamp", "hps"), ("photocontrol", "thermal"), ("driver", "led")} <= kinds
    for fit in document["fits"]:
        assert fit["shape_low"] <= fit["shape"] <= fit["shape_high"]
        assert fit["scale_low"] <= fit["scale_years"] <= fit["scale_high"]
        assert 0 < fit["b10_years"] < fit["median_years"]


def test_frost_shortens_photocontrols_and_not_lamps(document) -> None:
    ratio = {(row["kind"], row["covariate"]): row for row in document["weather"]}
    assert ratio["photocontrol", "freeze_thaw_days"]["low"] > 1.0
    lamp = ratio["lamp", "freeze_thaw_days"]
    assert lamp["low"] < 1.0 < lamp["high"]


def test_what_was_left_out_says_why(document) -> None:
    assert document["left_out"]
    assert all(row["reason"] for row in document["left_out"])


@pytest.mark.slow
def test_next_years_failures_lie_inside_the_intervals_of_past_years_fits(town) -> None:
    known = Known(town.store, default_as_of(town.store))
    forecasts = backtest(known)
    inside = sum(one.is_inside for one in forecasts)
    assert len(forecasts) > 80
    assert inside / len(forecasts) >= 0.87
