"""Engines: SQLite and PostgreSQL, set so that what is acknowledged is kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError

from lightwatch.errors import NotUnderstood, UnknownAsset

CONNECT_S = 10
"""How long a PostgreSQL server may take to answer a new connection [s]."""

BUSY_S = 30
"""How long a writer waits for another before it says that the store is busy [s]."""

_PRAGMAS = (
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",
    "PRAGMA foreign_keys=ON",
    f"PRAGMA busy_timeout={BUSY_S * 1000}",
    "PRAGMA cache_size=-65536",
)


def _set_up_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _: object) -> None:
        connection.isolation_level = None
        for pragma in _PRAGMAS:
            connection.execute(pragma)

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        reads = connection.get_execution_options().get("reads", False)
        connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")


def _sqlite_file(url: URL, create: bool) -> None:
    if not url.database or url.database == ":memory:":
        return
    file = Path(url.database)
    if not file.exists() and not create:
        raise UnknownAsset(
            f"no store at {file} (expected one made by `lightwatch load DIR`; "
            "name another with --db URL)"
        )
    if not file.parent.exists():
        raise UnknownAsset(f"no folder {file.parent} to make the store in")


def _connecting(url: URL) -> dict[str, Any]:
    """Return what is asked of a new connection, where the URL does not say."""
    if url.get_backend_name() != "postgresql":
        return {}
    asked = {
        "connect_timeout": CONNECT_S,
        "options": f"-c lock_timeout={BUSY_S}s",
    }
    return {name: value for name, value in asked.items() if name not in url.query}


def make_engine(address: str, *, create: bool) -> Engine:
    """Return an engine for a database URL.

    Raises
    ------
    NotUnderstood
        The URL names no database that can be used here.
    UnknownAsset
        There is no store there, and none was to be made.
    """
    try:
        url = make_url(address)
        engine = create_engine(
            url, pool_pre_ping=True, connect_args=_connecting(url)
        )  # a connection that the server closed meanwhile is made anew
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise NotUnderstood(
            f"database URL {address!r} cannot be used ({error}); expected "
            "sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME"
        ) from None
    if engine.dialect.name == "sqlite":
        _sqlite_file(url, create)
        _set_up_sqlite(engine)
    return engine
