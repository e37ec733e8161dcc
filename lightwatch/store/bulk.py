"""Many rows at once, by each database's own fastest safe way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, insert, text

from lightwatch.errors import Conflict


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


def hold_loads(connection: Connection) -> None:
    """Let no other package in until this transaction ends."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("LOCK TABLE loads IN SHARE ROW EXCLUSIVE MODE"))
