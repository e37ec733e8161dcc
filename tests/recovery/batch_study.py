"""Invented worlds of parts whose bad batches are known: to hold the alarm to them.

Ten years of a register of 3,000 places in three districts: electronic photocontrols of
three models, thermal ones of two, drivers of one, with Weibull lives, months that are
good or bad for all, units older than the register, a programme that fits one model in
one year, failures on record only weeks later. In a rough world some lights wear parts
out, districts differ, and surges kill parts of one circuit together. In a mixed world
batches differ in truth.

In 200 clean worlds no batch is bad and every alarm is false.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from lightwatch.decisions.batches.batches import judge
from lightwatch.decisions.batches.units import Units
from lightwatch.nights import DAY, YEAR, LocalTime

CLOCK = LocalTime("Europe/Vienna")
OPENED = CLOCK.instant("2010-03-01")
YEARS = 10
AS_OF = CLOCK.instant("2020-03-01")
MONTH_DAYS = 365.25 / 12


@dataclass(frozen=True)
class Kind:
    """A kind and type: Weibull life, its models, oldest units at the opening."""

    kind: str
    type: str
    shape: float
    scale_years: float
    models: tuple[str, ...]
    oldest_years: float


KINDS = (
    Kind("photocontrol", "electronic", 1.6, 14.0, ("EA", "EB", "EC"), 12.0),
    Kind("photocontrol", "thermal", 2.0, 8.0, ("TA", "TB"), 7.0),
    Kind("driver", "led", 1.7, 20.0, ("DA",), 6.0),
)


@dataclass(frozen=True)
class World:
    """What is true in a world.

    Parameters
    ----------
    places
        Lights; each carries one unit of every kind.
    bad
        Model, vintage and factor of a bad batch.
    frail_shape
        Of the gamma law of what a light does to its parts; infinite: nothing.
    district_spread, surges_per_year
        Log standard deviation of districts; surges, each on one circuit, that kill
        three parts in ten of one kind there.
    batch_spread
        Log standard deviation of all batches.
    """

    places: int = 3000
    bad: tuple[str, int, float] | None = None
    frail_shape: float = np.inf
    district_spread: float = 0.0
    surges_per_year: float = 0.0
    batch_spread: float = 0.0


CLEAN = World()
ROUGH = World(frail_shape=6.0, district_spread=0.15, surges_per_year=6.0)
MIXED = World(batch_spread=0.35)
BAD = World(bad=("EB", 2013, 4.0))


def year_of(days: np.ndarray) -> np.ndarray:
    """Return the local year of days since the opening."""
    at = (days * DAY + OPENED).astype("int64").astype("datetime64[us]")
    return at.astype("datetime64[Y]").astype(int) + 1970


@dataclass
class Run:
    """One kind in one world while it lives: what hangs in each place [days]."""

    kind: Kind
    model: np.ndarray
    born: np.ndarray
    since: np.ndarray
    again: np.ndarray
    gone: np.ndarray
    """Until when the place stands empty [day]."""


def _fitted(
    kind: Kind, world: World, factor: np.ndarray, rng: np.random.Generator
) -> Run:
    size = world.places
    born = -rng.uniform(0, kind.oldest_years, size) * 365.25
    model = rng.integers(0, len(kind.models), size)
    late = rng.random(size) < 0.15
    since = np.where(late, rng.uniform(0, YEARS * 365.25, size), 0.0)
    return Run(
        kind, model, np.where(late, since, born), since, np.zeros(size, bool), since
    )


def _factors(world: World, kind: Kind, rng: np.random.Generator) -> np.ndarray:
    """Return the true factor by model and year from 1990."""
    made = np.exp(world.batch_spread * rng.normal(size=(len(kind.models), 40)))
    if world.bad and world.bad[0] in kind.models:
        model, year, factor = world.bad
        made[kind.models.index(model), year - 1990] *= factor
    return made


def _hazard(run: Run, day: float, factor: np.ndarray) -> np.ndarray:
    age = np.maximum(day + MONTH_DAYS / 2 - run.born, 1.0) / 365.25
    shape, scale = run.kind.shape, run.kind.scale_years
    own = factor[run.model, year_of(run.born) - 1990]
    return np.asarray(own * shape / scale * (age / scale) ** (shape - 1) / 12)


def _row(run: Run, some: np.ndarray, leave: np.ndarray, failed: bool) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "kind": run.kind.kind,
            "type": run.kind.type,
            "model": np.array(run.kind.models)[run.model[some]],
            "place": some,
            "born": run.born[some],
            "enter": run.since[some],
            "leave": leave,
            "again": run.again[some],
            "failed": failed,
        }
    )


def _renew(run: Run, some: np.ndarray, at: np.ndarray, written: np.ndarray) -> None:
    run.born[some] = at
    run.since[some] = run.gone[some] = written


def _live(
    kind: Kind, world: World, place: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """Let one kind live month by month; return its units [days since the opening]."""
    factor = _factors(world, kind, rng)
    run, rows = _fitted(kind, world, factor, rng), []
    winter = rng.uniform(0.1, 0.4)
    circuit = np.arange(world.places) // 20
    programme = rng.integers(40, 90)
    for month in range(YEARS * 12):
        day = month * MONTH_DAYS
        season = winter * np.cos(2 * np.pi * (month + 2) / 12) + rng.normal(0, 0.15)
        chance = -np.expm1(-_hazard(run, day, factor) * np.exp(season) * place)
        chance *= run.gone <= day
        for _ in range(rng.poisson(world.surges_per_year / 12)):
            struck = circuit == rng.integers(circuit.max() + 1)
            chance = np.maximum(chance, 0.3 * struck * (run.gone <= day))
        dead = np.flatnonzero(rng.random(world.places) < chance)
        mended = day + rng.uniform(0, MONTH_DAYS, dead.size)
        mended += rng.gamma(2.0, 10.0, dead.size)
        written = mended + rng.exponential(3.0, dead.size)
        rows.append(_row(run, dead, written, failed=True))
        run.model[dead] = rng.integers(0, len(kind.models), dead.size)
        run.again[dead] = True
        _renew(run, dead, mended, written)
        if month == programme:
            row = rng.integers(0, 8)
            some = np.flatnonzero((circuit % 8 == row) & (run.gone <= day))
            rows.append(_row(run, some, np.full(some.size, day + 5.0), failed=False))
            run.model[some], run.again[some] = rng.integers(0, len(kind.models)), False
            _renew(run, some, np.full(some.size, day), np.full(some.size, day + 5.0))
    rest = np.arange(world.places)
    rows.append(_row(run, rest, np.full(rest.size, np.inf), failed=False))
    made = pd.concat(rows, ignore_index=True)
    vintage = year_of(made["born"].to_numpy())
    row = made["model"].map({name: i for i, name in enumerate(kind.models)})
    return made.assign(vintage=vintage, truth=factor[row.to_numpy(), vintage - 1990])


def world_units(world: World, seed: int) -> Units:
    """Let a world live; ``table`` holds the ``truth``, each batch's own factor."""
    rng = np.random.default_rng([seed, 8])
    district = np.arange(world.places) * 3 // world.places
    place = np.exp(world.district_spread * rng.normal(size=3))[district]
    if np.isfinite(world.frail_shape):
        place *= rng.gamma(world.frail_shape, 1 / world.frail_shape, world.places)
    made = pd.concat([_live(kind, world, place, rng) for kind in KINDS])
    end = (AS_OF - OPENED) / DAY
    made = made[made["enter"] < end].reset_index(drop=True)
    over = made["leave"] >= end
    made["leave"] = made["leave"].mask(over, np.inf)
    keys = made.groupby(["kind", "type", "model", "vintage"], sort=True)
    frame = made.assign(
        batch=keys.ngroup(),
        light_id="L" + made["place"].astype(str),
        circuit_id="C" + (made["place"] // 20).astype(str),
        failed=made["failed"] & ~over,
        held=made["failed"] & ~over,
        **{name: made[name] * DAY + OPENED for name in ("born", "enter", "leave")},
    )
    table = keys["truth"].first().reset_index().assign(maker="")
    return Units(frame, table, AS_OF)


def as_of(units: Units, at: float) -> Units:
    """Return what was on record at a time, batches numbered anew."""
    frame = units.frame[units.frame["enter"] < at]
    later = frame["leave"] >= at
    kept, number = np.unique(frame["batch"], return_inverse=True)
    frame = frame.assign(
        batch=number,
        leave=frame["leave"].mask(later, np.inf),
        failed=frame["failed"] & ~later,
        held=frame["held"] & ~later,
    )
    table = units.table.iloc[kept].reset_index(drop=True)
    return replace(
        units, frame=frame.reset_index(drop=True), table=table, as_of=int(at)
    )


def against_peers(table: pd.DataFrame) -> pd.Series:
    """Return each batch's true factor over that of its peers, by their failures.

    Peers are as the ratio means them: of its kind and type, itself left out and those
    on which an alarm was raised.
    """
    quiet = np.isinf(table["alarm_years"])
    failures = table["failures"].where(quiet, 0.0)
    due = (table["failures"] / table["truth"]).where(quiet, 0.0)
    keys = [table["kind"], table["type"]]
    of_peers, due_of_peers = (
        one.groupby(keys).transform("sum") - one for one in (failures, due)
    )
    return table["truth"] * due_of_peers / of_peers.where(of_peers > 0)


def study(world: World, seed: int) -> pd.DataFrame:
    """Judge one world; return a row a batch: truth, ratio, limits, alarm [years]."""
    units = world_units(world, seed)
    verdict = judge(units)
    found = verdict.excess
    table = units.table.assign(
        seed=seed,
        known=found.known,
        failures=found.failures,
        expected=found.expected,
        ratio=found.ratio,
        low=found.low,
        high=found.high,
        alarm_years=(verdict.raised - OPENED) / YEAR,
    )
    table["against"] = against_peers(table)
    table["inside"] = (table["low"] <= table["against"]) & (
        table["against"] <= table["high"]
    )
    order = np.lexsort((-table["ratio"], -table["low"]))
    table.loc[table.index[order], "rank"] = np.arange(1, len(table) + 1)
    own = units.frame[units.frame["failed"]]
    by_alarm = own["leave"] <= own["batch"].map(pd.Series(verdict.raised))
    counted = by_alarm.groupby(own["batch"]).sum()
    table["by_alarm"] = counted.reindex(table.index, fill_value=0)
    return table


def worlds(world: World, seeds: Iterable[int]) -> pd.DataFrame:
    """Judge several worlds."""
    return pd.concat([study(world, seed) for seed in seeds], ignore_index=True)
