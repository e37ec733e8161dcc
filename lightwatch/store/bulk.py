"""Many rows at once, by each database's own fastest safe way."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import adbc_driver_sqlite.dbapi
import pyarrow as pa
from sqlalchemy import Connection, Select, Table, insert, text

from lightwatch.errors import Conflict
from lightwatch.store.engine import WAIT_FOR_WRITER

_ALL_IN_ONE = {"adbc.sqlite.query.batch_rows": 1 << 20}
"""Types of columns are guessed from the first batch of rows, so there is one."""


def add_rows(
    connection: Connection, table: Table, columns: Mapping[str, Sequence[Any]]
) -> None:
    """Add rows given as columns of equal length, inside the open transaction."""
    if connection.dialect.name == "postgresql":
        _copy(connection, table, columns)
        return
    compiled = insert(table).values(dict.fromkeys(columns)).compile(connection.engine)
    order = compiled.positiontup or list(columns)
    rows = list(zip(*(columns[name] for name in order), strict=True))
    if rows:
        connection.exec_driver_sql(str(compiled), rows)


def _copy(
    connection: Connection, table: Table, columns: Mapping[str, Sequence[Any]]
) -> None:
    import psycopg
    from psycopg import sql

    names = sql.SQL(", ").join(map(sql.Identifier, columns))
    into = sql.SQL("COPY {} ({}) FROM STDIN").format(sql.Identifier(table.name), names)
    driver: Any = connection.connection
    try:
        with driver.cursor() as cursor, cursor.copy(into) as copy:
            for row in zip(*columns.values(), strict=True):
                copy.write_row(row)
    except psycopg.Error as error:
        raise Conflict(f"{table.name}: {str(error).splitlines()[0]}") from None


def read_columns(
    connection: Connection, query: Select[Any], numbers: Collection[str]
) -> pa.Table:
    """Return what a query finds, by columns: words, and whole numbers where named."""
    types = {
        name: pa.int64() if name in numbers else pa.string()
        for name in query.selected_columns.keys()
    }
    url = connection.engine.url
    if connection.dialect.name != "sqlite" or not url.database:
        columns = zip(*connection.execute(query).cursor.fetchall(), strict=True)
        found = list(columns) or [()] * len(types)
        return pa.table(
            {n: pa.array(c, types[n]) for n, c in zip(types, found, strict=True)}
        )
    sql = query.compile(connection.engine, compile_kwargs={"literal_binds": True})
    with (
        adbc_driver_sqlite.dbapi.connect(url.database) as file,
        file.cursor(adbc_stmt_kwargs=_ALL_IN_ONE) as cursor,
    ):
        cursor.execute(WAIT_FOR_WRITER)
        cursor.execute(str(sql))
        return cursor.fetch_arrow_table().cast(pa.schema(types))


def hold_loads(connection: Connection) -> None:
    """Let no other package in until this transaction ends."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("LOCK TABLE loads IN SHARE ROW EXCLUSIVE MODE"))
