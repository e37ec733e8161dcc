"""Demo cities with a bad batch, and without: what is found, and since when."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from demo_city import Parameters, simulate
from lightwatch.decisions.batches import Batch, batches
from lightwatch.lives import lives
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.register import Register
from lightwatch.store import Store, open_store

PLANTED = ("TW-E2", "2019")


@contextmanager
def city(lights: int, seed: int, *, clean: bool) -> Iterator[Store]:
    """Open the store of a demo city with or without its bad batch."""
    made = Parameters(lights=lights, storms=max(lights // 1000, 1))
    made = replace(made, batch=None) if clean else made
    with TemporaryDirectory(prefix="lightwatch-batches-") as name:
        folder = Path(name)
        simulate(made, seed).write(folder / "package")
        package = Package.open(folder / "package")
        store = open_store(f"sqlite:///{folder}/city.db", create=True)
        load(store, package, now=package.created, said_by="a study")
        yield store
        store.engine.dispose()


def found(store: Store, as_of: str = "") -> list[Batch]:
    """Return the batches of a store, as of now or of a day."""
    at = default_as_of(store)
    if as_of:
        at = Known(store, at).clock.instant(as_of)
    return batches(lives(Register(Known(store, at))))


def row(seed: int, lights: int) -> dict[str, object]:
    """Return what a city with its bad batch shows of it."""
    with city(lights, seed, clean=False) as store:
        made = found(store)
    names = [(one.model, one.vintage) for one in made]
    bad = made[names.index(PLANTED)]
    others = [one for one in made if one.alarm_on and one is not bad]
    raised = date.fromisoformat(bad.alarm_on) if bad.alarm_on else None
    return {
        "seed": seed,
        "rank": names.index(PLANTED) + 1,
        "failures": bad.failures,
        "expected": bad.expected,
        "ratio": bad.ratio,
        "low": bad.low,
        "high": bad.high,
        "alarm_on": bad.alarm_on,
        "years_after": (raised - date(2019, 7, 1)).days / 365.25 if raised else None,
        "by_alarm": bad.failures_by_alarm,
        "other_alarms": len(others),
    }


def planted(seeds: range, lights: int) -> pd.DataFrame:
    """Return a row a city; ``years_after`` counts from the middle of the vintage."""
    return pd.DataFrame([row(seed, lights) for seed in seeds])


def false_alarms(seeds: range, lights: int) -> int:
    """Return how many alarms were raised in clean cities, ten years each."""
    count = 0
    for seed in seeds:
        with city(lights, seed, clean=True) as store:
            count += sum(one.alarm_on is not None for one in found(store))
    return count
