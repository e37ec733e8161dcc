"""Lives that end unfailed are believed only as far as failures would be known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lightwatch.detection import Detection
from lightwatch.lives import Lives, settled
from lightwatch.lives.lives import COLUMNS
from lightwatch.nights import DAY, YEAR
from lightwatch.register import Register
from tests.packages import take_in
from tests.towns import little_town

MEAN_YEARS, WATCH_YEARS, UNITS = 3.0, 6.0, 20_000
DELAY_DAYS, WAIT_DAYS = 40.0, 20.0
FOUND = Detection({"out": 1 / DELAY_DAYS}, {"out": 1.0}, 0.0, 1 / DELAY_DAYS, 1.0)


@pytest.fixture
def register(tmp_path: Path) -> Register:
    return take_in(little_town(tmp_path / "town")).register


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nearly all troubles are mended within the wait."""
    monkeypatch.setattr(settled, "settling_days", lambda lives: WAIT_DAYS)


def renewed(seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return lives of units that fail at a steady rate, are noticed late, and mended.

    All are taken off in a programme; what had failed by then and was not mended shows
    as a life that had not failed.
    """
    rng = np.random.default_rng(seed)
    rows = []
    unit, start = np.arange(UNITS), np.zeros(UNITS)
    while unit.size:
        failed_at = start + rng.exponential(MEAN_YEARS * YEAR, unit.size)
        noticed = failed_at + rng.exponential(DELAY_DAYS * DAY, unit.size)
        mended = noticed + WAIT_DAYS * DAY * rng.random(unit.size)
        failed = mended < WATCH_YEARS * YEAR
        end = np.where(failed, mended, WATCH_YEARS * YEAR)
        rows.append(
            pd.DataFrame(
                {"unit": unit, "start": start, "end": end, "failed": failed,
                 "high": np.where(failed, noticed, end)}
            )
        )  # fmt: skip
        unit, start = unit[failed], end[failed]
    frame = pd.concat(rows, ignore_index=True)
    light = "L" + frame["unit"].astype(str)
    plain = {name: "" for name in COLUMNS if name not in frame}
    return (
        frame.assign(**plain).assign(
            light_id=light, kind="lamp", end_repair=-1, weight=1.0
        ),
        pd.DataFrame(
            {"low": frame["start"], "high": frame["high"], "earliest": frame["start"],
             "symptom": np.where(frame["failed"], "out", "")}
        ),
    )  # fmt: skip


def per_year(frame: pd.DataFrame) -> float:
    """Return failures over time in which they could be known; a failure lies on
    average a mean delay before it was noticed."""
    high = frame["high"] - np.where(frame["failed"], DELAY_DAYS * DAY, 0.0)
    years = np.maximum(high - frame["start"], -np.inf) / YEAR
    known = frame["failed"] | (frame["high"] > frame["start"])
    return float(frame["failed"].sum() / years[known].sum())


@pytest.mark.usefixtures("waits")
def test_the_rate_is_right_and_would_be_too_low_without(register: Register) -> None:
    frame, found = renewed(6)
    lives = Lives(frame.drop(columns="high"), register)
    raw = lives.frame.join(found)
    true = 1 / MEAN_YEARS
    error = true / raw["failed"].sum() ** 0.5
    assert abs(per_year(settled.settled(lives, found, FOUND)) - true) < 3 * error
    assert per_year(raw) < true - 3 * error


def one_light(
    register: Register, ends: list[tuple[float, bool, int]], *, beside: bool = False
) -> tuple[Lives, pd.DataFrame]:
    """Return lives of lamps of a light, one after the other or side by side.

    Ends in days, noticed 5 days before.
    """
    days = np.array([end for end, _, _ in ends], float)
    failed = np.array([one for _, one, _ in ends])
    plain = dict.fromkeys(COLUMNS, "")
    frame = pd.DataFrame(
        {**plain, "light_id": "L01", "kind": "lamp", "weight": 1.0,
         "start": np.append(0.0, days[:-1]) * DAY * (not beside), "end": days * DAY,
         "failed": failed, "end_repair": [repair for _, _, repair in ends]}
    )  # fmt: skip
    high = np.where(failed, days - 5, days) * DAY
    found = pd.DataFrame(
        {"low": frame["start"], "high": high, "earliest": frame["start"],
         "symptom": np.where(failed, "out", "")}
    )  # fmt: skip
    return Lives(frame, register), found


@pytest.mark.usefixtures("waits")
def test_a_failure_noticed_while_judgement_had_stopped_counts_as_a_life_unfailed(
    register: Register,
) -> None:
    lives, found = one_light(
        register, [(500, True, 0), (990, True, 0), (1000, False, -1)]
    )
    after = settled.settled(lives, found, FOUND)
    assert after["counted"].tolist() == [True, True, False]
    assert after["failed"].tolist() == [True, False, False]
    assert (after["end"] / DAY).tolist() == [500, 980, 980]
    assert (after["high"] / DAY).tolist() == [495, 940, 940]
    assert after["high"].iloc[2] < after["start"].iloc[2]


@pytest.mark.usefixtures("waits")
def test_a_part_that_hung_beside_another_does_not_stop_it(register: Register) -> None:
    """Of two lamps one failed late and stayed dark; the other was taken off before."""
    planned = int(register.known.repairs.query("cause == 'programme'").index[0])
    ends = [(900, True, -1), (400, False, planned)]
    after = settled.settled(*one_light(register, ends, beside=True), FOUND)
    assert after["failed"].tolist() == [True, False]
    assert after["high"].iloc[0] == 895 * DAY


@pytest.mark.usefixtures("waits")
def test_what_was_taken_off_by_mistake_keeps_its_end(register: Register) -> None:
    repairs = register.known.repairs
    by_mistake = int(repairs.index[repairs["cause"] == "photocontrol"][0])
    planned = int(repairs.index[repairs["cause"] == "programme"][0])
    lives, found = one_light(register, [(1000, False, by_mistake)])
    assert settled.settled(lives, found, FOUND)["high"].tolist() == [1000 * DAY]
    lives, found = one_light(register, [(1000, False, planned)])
    assert settled.settled(lives, found, FOUND)["high"].iloc[0] < 980 * DAY
