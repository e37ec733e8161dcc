"""Do the rates find what the invented city was made from?

Small cities with constant hazards are simulated, written, loaded and judged; for each
kind and type the true rate either lies inside the exact 95 % limits or not.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from demo_city import Parameters, simulate
from lightwatch.lives import lives
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.rates import rates
from lightwatch.register import Register
from lightwatch.store import open_store


def of_one_city(seed: int) -> pd.DataFrame:
    """Return one row a kind and type: the true rate, the limits, whether inside."""
    city = simulate(Parameters.small(constant_hazards=True), seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        package = Path(folder) / "package"
        city.write(package)
        store = open_store(f"sqlite:///{folder}/city.db", create=True)
        outcome = load(
            store, Package.open(package), now=time.time_ns() // 1000, said_by="study"
        )
        assert not outcome.rejects
        found = rates(lives(Register(Known(store, default_as_of(store)))))
        store.engine.dispose()
    known = {(life.kind, life.type) for life in city.truth.lives}
    rows = []
    for row in found:
        kind, name = row.group["kind"], row.group["type"]
        if (kind, name) not in known or row.rate is None:
            continue
        truth = city.truth.rate_per_1000(kind, name)
        low, high = row.rate.low_per_year * 1000, row.rate.high_per_year * 1000
        rows.append((seed, kind, name, truth, low, high, low <= truth <= high))
    names = ["seed", "kind", "type", "truth", "low", "high", "inside"]
    return pd.DataFrame(rows, columns=names)


def study(seeds: Iterable[int]) -> pd.DataFrame:
    """Return the rows of several cities."""
    return pd.concat([of_one_city(seed) for seed in seeds], ignore_index=True)
