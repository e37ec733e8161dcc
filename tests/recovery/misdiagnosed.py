"""Wrong first repairs of an invented city: how many are flagged, how many rightly."""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from demo_city import Parameters, simulate
from lightwatch.decisions.repeats.unheld import Unheld, unheld_repairs
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.register import Register
from lightwatch.store import open_store


@dataclass(frozen=True)
class Flagged:
    """Wrong first repairs, those flagged, and those that are both."""

    wrong: int
    said: int
    both: int
    found: tuple[Unheld, ...]

    @property
    def recall(self) -> float:
        """Share of the wrong that are flagged."""
        return self.both / self.wrong

    @property
    def precision(self) -> float:
        """Share of the flagged that are wrong."""
        return self.both / self.said


def flagged(seed: int) -> Flagged:
    """Judge one city."""
    with tempfile.TemporaryDirectory() as folder:
        city = simulate(Parameters.city(), seed)
        city.write(Path(folder) / "package")
        store = open_store(f"sqlite:///{folder}/city.db", create=True)
        load(
            store,
            Package.open(Path(folder) / "package"),
            now=time.time_ns() // 1000,
            said_by="study",
        )
        known = Known(store, default_as_of(store))
        found = unheld_repairs(Register(known))
        true = set(city.truth.misdiagnosed) & set(known.repairs["repair_id"])
        store.engine.dispose()
    said = {one.repair_id for one in found}
    return Flagged(len(true), len(said), len(true & said), tuple(found))
