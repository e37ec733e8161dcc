"""How fast the monthly weather fit is: ``python -m tests.bench.weather_speed``.

Months of failure known; 96 months, 2 stations, 12 groups. At 100,000 lives the same
model is fitted by glum on one row per life and month, and every coefficient compared.
CPU seconds on one thread, as the machine is shared; each figure is the best of several
runs.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from lightwatch.rates.cells import cells
from lightwatch.rates.piecewise import fit_hazard
from lightwatch.rates.weather_model import HazardModel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MONTHS, GROUPS, STATIONS = 96, 12, 2
TRUTH = np.array([0.05, 0.015])


@dataclass(frozen=True)
class Stock:
    """Lives for timing; times in months."""

    birth: Ints
    entry: Floats
    leave: Floats
    failed: npt.NDArray[np.bool_]
    group: Ints
    weather: Floats
    station: Ints


def stock(lives: int, seed: int = 1) -> Stock:
    """Draw lives under a hazard by group and weather."""
    rng = np.random.default_rng(seed)
    winter = np.cos(2 * np.pi * np.arange(MONTHS) / 12)
    frost = rng.poisson(np.exp(1.4 + 1.2 * winter), (STATIONS, MONTHS))
    wet = rng.poisson(12 + 2 * winter, (STATIONS, MONTHS))
    weather = np.stack([frost, wet], axis=2).astype(np.float64)
    station = np.arange(GROUPS) % STATIONS
    log_ratio = (weather - weather.mean(axis=(0, 1))) @ TRUTH
    base = 0.004 * np.exp(rng.normal(0, 0.3, GROUPS))
    hazard = base[:, None] * np.exp(log_ratio[station])
    risk = np.concatenate([np.zeros((GROUPS, 1)), np.cumsum(hazard, axis=1)], axis=1)
    birth = rng.integers(-180, MONTHS - 1, lives)
    entry = np.maximum(birth, 0) + rng.random(lives)
    group = rng.integers(0, GROUPS, lives)
    leave = np.empty(lives)
    edges = np.arange(MONTHS + 1.0)
    for kind in range(GROUPS):
        own = group == kind
        spent = np.interp(entry[own], edges, risk[kind])
        spent += rng.exponential(size=int(own.sum()))
        leave[own] = np.interp(spent, risk[kind], edges, right=MONTHS)
    failed = leave < MONTHS
    return Stock(birth, entry, leave, failed, group, weather, station)


def ours(lives: Stock, offset: Floats | None = None) -> HazardModel:
    """Aggregate and fit."""
    made = cells(
        lives.birth,
        lives.entry,
        lives.leave,
        lives.failed,
        lives.group,
        n_months=MONTHS,
        n_groups=GROUPS,
    )
    return fit_hazard(
        made, lives.weather, station=lives.station, ridge_sd=None, offset=offset
    )


@dataclass(frozen=True)
class Rows:
    """One row per life and month."""

    age: Ints
    month: Ints
    group: Ints
    exposure: Floats
    failed: Floats


def expand(lives: Stock) -> Rows:
    """Return one row per life and month under watch."""
    begin = lives.entry.astype(np.int64)
    last = np.minimum(lives.leave.astype(np.int64), MONTHS - 1)
    count = last - begin + 1
    life = np.repeat(np.arange(count.size), count)
    first = np.repeat(np.cumsum(count) - count, count)
    month = begin[life] + np.arange(life.size) - first
    upper = np.minimum(lives.leave[life], month + 1)
    exposure = upper - np.maximum(lives.entry[life], month)
    failed = (lives.failed[life] & (month == last[life])).astype(np.float64)
    return Rows(month - lives.birth[life], month, lives.group[life], exposure, failed)


def design(rows: Rows, model: HazardModel) -> Any:
    """Return the design of the rows, the groups as a category."""
    import tabmat

    layout = model.layout
    ages = layout.spline.columns(np.arange(rows.age.max() + 1))
    days = (layout.weather - layout.mean_weather)[layout.station]
    dense = np.column_stack([ages[rows.age], days[rows.group, rows.month]])
    return tabmat.SplitMatrix(
        [
            tabmat.DenseMatrix(np.asfortranarray(dense)),
            tabmat.CategoricalMatrix(rows.group, drop_first=True),
        ]
    )


def theirs(rows: Rows, matrix: Any, **options: float) -> Floats:
    """Fit the rows with glum; coefficients in the order of ours."""
    from glum import GeneralizedLinearRegressor

    found = GeneralizedLinearRegressor(family="poisson", alpha=0, **options)
    found.fit(matrix, rows.failed, offset=np.log(rows.exposure))
    ages = matrix.shape[1] - 2 - (GROUPS - 1)
    terms = found.coef_
    return np.concatenate(
        [terms[:ages], [found.intercept_], terms[ages + 2 :], terms[ages : ages + 2]]
    )


def best(work: Callable[[], Any], runs: int = 3) -> tuple[Any, float, float]:
    """Return the result, the least CPU and the least wall seconds."""
    cpu, wall = [], []
    for _ in range(runs):
        begun, clock = time.process_time(), time.perf_counter()
        result = work()
        cpu.append(time.process_time() - begun)
        wall.append(time.perf_counter() - clock)
    return result, min(cpu), min(wall)


def compare(lives: Stock) -> None:
    """Print ours against glum on expanded rows."""
    model, cpu, wall = best(lambda: ours(lives), runs=7)
    print(f"ours, 100,000 lives: {cpu:.4f} CPU s, {wall:.4f} s, {model.rounds} steps")
    rows, expanding, _ = best(lambda: expand(lives), runs=1)
    matrix, building, _ = best(lambda: design(rows, model), runs=1)
    print(f"expanded: {rows.age.size:,} rows, {expanding + building:.2f} CPU s")
    usual, slow, slow_wall = best(lambda: theirs(rows, matrix))
    print(f"glum, its own tolerance: {slow:.2f} CPU s, {slow_wall:.2f} s")
    tight, tightly, _ = best(lambda: theirs(rows, matrix, gradient_tol=1e-9), runs=1)
    for name, terms in (("its own", usual), ("1e-9", tight)):
        apart = float(np.abs(terms - model.terms).max())
        print(f"greatest difference of a coefficient, tolerance {name}: {apart:.1e}")
    print(f"glum, tolerance 1e-9: {tightly:.2f} CPU s")
    print(f"weather, ours {model.terms[-2:].round(5)}, glum {tight[-2:].round(5)}")
    print(f"glum / ours: {slow / cpu:.0f} x CPU, fit alone; wanted 80 or more")


def main() -> None:
    """Print the comparison and the growth."""
    sizes = [int(word) for word in sys.argv[1:]] or [1_000_000, 10_000_000]
    threadpool_limits(1)
    compare(stock(100_000))
    for size in sizes:
        lives = stock(size)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        model, cpu, wall = best(lambda lives=lives: ours(lives))
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        value, error = model.log_ratio("freeze_thaw")
        print(
            f"{size:>10,} lives, {model.unit_months / 1e6:.0f}M unit-months: "
            f"{cpu:.3f} CPU s, {wall:.3f} s, freeze-thaw {value:.4f} ({error:.4f}), "
            f"peak {after / 1024:.0f} MB ({(after - before) / 1024:.0f} of it now)"
        )


if __name__ == "__main__":
    main()
