"""When parts must have failed: the truth of invented villages is the judge.

A part that failed while another kept its light in trouble is left out: the village lets
both fail on their own, and a crew then proves the light lit with a part in it that has
failed. On a real pole the second failure shows only once the first is mended.
"""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from demo_city import City, Parameters, simulate
from lightwatch.detection import detection
from lightwatch.lives import lives
from lightwatch.lives.intervals import intervals
from lightwatch.nights import DAY, SECOND
from lightwatch.rates import life_models as models
from lightwatch.rates.weather_model import Ratio
from lightwatch.register import Register
from tests.packages import take_in

BAND = 0.0005
"""Tail of the 99.9 % band of a binomial count."""

FREEZE_THAW = 0.10
SLOW = (0.02, 0.09, 0.004, 0.01, 0.012, 0.02, 0.5, 0.02)
"""Reports a night, by symptom: trouble goes unnoticed for months."""


def registered(city: City, folder: Path) -> Register:
    city.write(folder / "town")
    return take_in(folder / "town").register


def mended_alone(city: City, register: Register) -> dict[tuple[str, str, int], float]:
    """Return when parts failed, by light, kind and minute of repair."""
    clock = register.known.clock
    own = city.truth.failures
    own = own[(own["level"] == "light") & (own["repaired_at"] != "")]
    failed = own["failed_at"].map(clock.instant).to_numpy(float)
    mended = own["repaired_at"].map(clock.instant).to_numpy(float)
    own = own.assign(failed=failed, mended=mended).reset_index()
    both = own.merge(own, on="light_id")
    both = both[both["index_x"] != both["index_y"]]
    crossed = (both["failed_x"] < both["mended_y"]) & (
        both["failed_y"] < both["mended_x"]
    )
    alone = own[~own["index"].isin(both.loc[crossed, "index_x"])]
    return {
        (row.light_id, row.kind, round(row.mended / (60 * SECOND))): row.failed
        for row in alone.itertuples()
    }


def windows(city: City, register: Register) -> pd.DataFrame:
    """Return failed lives with the window in which they failed, and when they did."""
    data = lives(register)
    frame = data.frame.join(intervals(data, detection(register)))
    frame = frame[frame["failed"] & (frame["light_id"] != "")]
    minute = (frame["end"] / (60 * SECOND)).round().astype(int)
    keys = zip(frame["light_id"], frame["kind"], minute, strict=True)
    true = mended_alone(city, register)
    frame = frame.assign(true=[true.get(key, np.nan) for key in keys])
    return frame[frame["true"].notna()]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_true_day_of_failing_lies_in_its_window_as_often_as_it_should(
    seed: int, tmp_path: Path
) -> None:
    city = simulate(Parameters.small(), seed=seed)
    found = windows(city, registered(city, tmp_path))
    day = np.floor(found["true"] / DAY)
    inside = (day >= np.floor(found["likely"] / DAY)) & (day <= found["high"] / DAY)
    least, most = binom.ppf([BAND, 1 - BAND], len(found), 0.95) / len(found)
    assert len(found) > 500
    assert least <= inside.mean() <= most
    narrow = (found["high"] - found["likely"]) / DAY
    assert narrow.median() < 60


def _ratio(city: City, folder: Path) -> Ratio:
    found = models.life_models(lives(registered(city, folder)))
    return found.weather["photocontrol"].ratio("freeze_thaw")


def _at_once(noticed_within: np.ndarray, delay_months: int) -> np.ndarray:
    return np.eye(1, delay_months).repeat(len(noticed_within), axis=0)


def test_the_ratio_is_that_of_the_month_of_failing_not_of_being_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sharing failures over the months in which they may lie finds the planted ratio.

    Put down to the month in which it was noticed, the same city's effect is lost.
    """
    usual = Parameters.city()
    hard = tuple(
        dataclasses.replace(life, freeze_thaw=FREEZE_THAW)
        if life.kind == "photocontrol"
        else life
        for life in usual.lives
    )
    city = simulate(
        dataclasses.replace(
            usual, lights=1500, lives=hard, batch=None, report_per_night=SLOW
        ),
        seed=5,
    )
    true = math.exp(FREEZE_THAW)
    latent = _ratio(city, tmp_path / "latent")
    assert latent.low < true < latent.high
    monkeypatch.setattr(models, "monthly_delays", _at_once)
    noticed = _ratio(city, tmp_path / "noticed")
    assert noticed.high < true
    assert noticed.high < latent.per_day
