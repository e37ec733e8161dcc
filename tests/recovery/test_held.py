"""Repairs that did not hold are named: the truth of an invented city is the judge."""

from __future__ import annotations

from pathlib import Path

from demo_city import Parameters, simulate
from lightwatch.detection.held import unheld
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.register import Register
from lightwatch.store import open_store


def test_wrong_first_repairs_are_found_and_few_others_accused(tmp_path: Path) -> None:
    city = simulate(Parameters.city(), seed=11)
    city.write(tmp_path / "package")
    store = open_store(f"sqlite:///{tmp_path}/city.db", create=True)
    load(store, Package.open(tmp_path / "package"), now=0, said_by="study")
    known = Known(store, default_as_of(store))
    found = set(known.repairs.loc[sorted(unheld(Register(known))), "repair_id"])
    true = set(city.truth.misdiagnosed) & set(known.repairs["repair_id"])
    both = len(found & true)
    assert len(true) > 500
    assert both / len(true) >= 0.8
    assert both / len(found) >= 0.8
