"""Bad batches: ``python -m tests.bench.batches [WORLDS] [CITIES] [LIGHTS]``.

How often a clean town raises an alarm (200 worlds of ten years, and as many rough
ones), how often limits hold the truth where batches differ, how soon a batch four times
as bad is found, in invented worlds and in demo cities; seconds for 100,000 lights.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.stats import beta

from lightwatch.decisions.batches.batches import judge
from tests.recovery.batch_cities import false_alarms, planted
from tests.recovery.batch_study import (
    BAD,
    CLEAN,
    MIXED,
    ROUGH,
    YEARS,
    World,
    world_units,
    worlds,
)

CITY_YEARS = 10


def upper(count: int, of: int) -> float:
    """Return the upper exact 95 % limit of a share."""
    return float(beta.ppf(0.975, count + 1, of - count)) if count < of else 1.0


def print_false(name: str, world: World, seeds: range) -> None:
    """Print false alarms per year."""
    rows = worlds(world, seeds)
    raised = rows.loc[np.isfinite(rows["alarm_years"]), ["seed", "alarm_years"]]
    firsts = raised.groupby("seed")["alarm_years"].min().astype(int)
    years = len(seeds) * YEARS
    by_year = np.bincount(firsts, minlength=YEARS)
    print(
        f"{name}: {len(raised)} false alarms, {len(firsts)} first ones, in "
        f"{years} town-years: {len(firsts) / years:.2%} a year, at most "
        f"{upper(len(firsts), years):.2%}; first ones by year {by_year.tolist()}; "
        f"limits hold the ratio in {rows.loc[rows['known'], 'inside'].mean():.3f}"
    )


def print_mixed(seeds: range) -> None:
    """Print how often limits hold the truth where batches differ by 35 %."""
    rows = worlds(MIXED, seeds)
    rows = rows[rows["known"]]
    by_world = rows.groupby("seed")["inside"].mean()
    error = by_world.std() / len(by_world) ** 0.5
    print(
        f"mixed: 95 % limits hold {rows['inside'].mean():.3f} +- {error:.3f} of "
        f"{len(rows)} ratios in {len(seeds)} worlds"
    )


def print_bad(seeds: range) -> None:
    """Print how a batch four times as bad is found in invented worlds."""
    rows = worlds(BAD, seeds)
    bad = rows["model"].eq(BAD.bad[0]) & rows["vintage"].eq(BAD.bad[1])
    own, others = rows[bad], rows[~bad]
    raised = own["alarm_years"] - (BAD.bad[1] + 0.5 - 2010.16)
    print(
        f"bad: first in {(own['rank'] == 1).mean():.3f}, alarm in "
        f"{np.isfinite(own['alarm_years']).mean():.3f} of {len(own)} worlds, "
        f"{raised.median():.1f} years (median; {raised.min():.1f} to "
        f"{raised.max():.1f}) after the middle of its year, "
        f"{own['by_alarm'].median():.0f} of {own['failures'].median():.0f} "
        f"failures in; limits hold 4 in {own['inside'].mean():.3f}; "
        f"{np.isfinite(others['alarm_years']).sum()} other alarms"
    )


def print_cities(seeds: range, lights: int) -> None:
    """Print what demo cities show of their bad batch, and clean ones."""
    rows = planted(seeds, lights)
    with pd.option_context("display.width", 200, "display.max_columns", 20):
        print(rows.round(2).to_string(index=False))
    clean = range(len(seeds))
    alarms = false_alarms(clean, 800)
    years = len(clean) * CITY_YEARS
    print(f"clean demo cities of 800 lights: {alarms} alarms in {years} town-years")


def print_speed(lights: int = 100_000) -> None:
    """Print seconds to judge a large town."""
    units = world_units(replace(BAD, places=lights), 1)
    start = time.perf_counter()
    judge(units)
    spent = time.perf_counter() - start
    print(
        f"{lights} lights, {len(units.frame)} units, {len(units.table)} batches: "
        f"{spent:.1f} s"
    )


def main(size: int = 200, cities: int = 16, lights: int = 6000) -> None:
    """Print all."""
    print_speed()
    print_false("clean", CLEAN, range(size))
    print_false("rough", ROUGH, range(size))
    print_mixed(range(size // 5))
    print_bad(range(size // 5))
    print_cities(range(cities), lights)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
