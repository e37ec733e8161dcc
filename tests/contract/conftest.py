"""The shared town, taken in once for all tests of the contract."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from lightwatch.observations.intake import load
from lightwatch.observations.outcome import Outcome
from lightwatch.observations.package import Package
from lightwatch.store import Store, open_store

SHARED = Path(__file__).parents[2].parent / "shared"


@dataclass(frozen=True)
class Town:
    """The shared town: where its files are, its store, what became of them."""

    folder: Path
    store: Store
    address: str
    outcome: Outcome


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder with the contract and the town; beside the project's root."""
    if not (SHARED / "town" / "datapackage.json").is_file():
        missing = f"no shared town at {SHARED / 'town'}"
        if os.environ.get("LIGHTWATCH_REQUIRE_SHARED") == "1":
            pytest.fail(f"{missing}, and LIGHTWATCH_REQUIRE_SHARED is 1")
        pytest.skip(missing)
    return SHARED


@pytest.fixture(scope="session")
def town(shared: Path, tmp_path_factory: pytest.TempPathFactory) -> Town:
    """Take the shared town in, once."""
    folder = shared / "town"
    address = f"sqlite:///{tmp_path_factory.mktemp('town')}/town.db"
    store = open_store(address, create=True)
    package = Package.open(folder)
    now = package.clock.instant("2025-10-02T09:00")
    outcome = load(store, package, now=now, said_by="a test")
    return Town(folder, store, address, outcome)
