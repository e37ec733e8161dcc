"""Small data packages for tests, written from tables and taken in for real."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.outcome import Outcome
from lightwatch.observations.package import Package
from lightwatch.register import Register
from lightwatch.store import Store, open_store
from lightwatch.words import descriptor

Table = Sequence[Mapping[str, Any]]


@dataclass(frozen=True)
class Taken:
    """A package that was taken in."""

    store: Store
    outcome: Outcome

    @property
    def register(self) -> Register:
        """The register as of the default time."""
        return Register(Known(self.store, default_as_of(self.store)))


def write_package(
    folder: Path,
    tables: Mapping[str, Table],
    *,
    created: str,
    opened_on: str,
    timezone: str = "UTC",
    roads: Iterable[Mapping[str, Any]] = (),
) -> Path:
    """Write a package; files that it must have and no table is given for are empty."""
    described = descriptor()
    described["created"] = created
    described["lightwatch:place"] = {
        "name": folder.name,
        "opened_on": opened_on,
        "timezone": timezone,
    }
    features = list(roads)
    kept = []
    for resource in described["resources"]:
        name = resource["name"]
        if name == "roads":
            if features:
                kept.append(resource)
        elif name in tables or resource.get("lightwatch:required"):
            kept.append(resource)
    described["resources"] = kept
    folder.mkdir(parents=True)
    (folder / "datapackage.json").write_text(json.dumps(described), "utf-8")
    for resource in kept:
        path = folder / resource["path"]
        if resource["name"] == "roads":
            collection = {"type": "FeatureCollection", "features": features}
            path.write_text(json.dumps(collection), "utf-8")
        else:
            columns = [field["name"] for field in resource["schema"]["fields"]]
            _write_table(path, columns, tables.get(resource["name"], ()))
    return folder


def _write_table(path: Path, columns: Sequence[str], rows: Table) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def take_in(folder: Path) -> Taken:
    """Load a package into a new store beside it, at its own time of creation."""
    package = Package.open(folder)
    store = open_store(f"sqlite:///{folder}.db", create=True)
    outcome = load(store, package, now=package.created, said_by="tests")
    return Taken(store, outcome)


def packaged(package: str, *parts: str) -> Path:
    """Return a file that an installed package carries, without importing it."""
    spec = find_spec(package)
    assert spec is not None
    assert spec.submodule_search_locations, package
    return Path(spec.submodule_search_locations[0], *parts)
