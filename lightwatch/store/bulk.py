"""Many rows at once, by each database's own fastest safe way."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute
from numpy.typing import NDArray
from sqlalchemy import (
    Connection,
    LargeBinary,
    Select,
    Table,
    Text,
    cast,
    func,
    insert,
    select,
    text,
)

_SPACED = b'", "'
"""So PostgreSQL writes arrays; SQLite takes no space."""


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
    from psycopg import sql

    names = sql.SQL(", ").join(map(sql.Identifier, columns))
    into = sql.SQL("COPY {} ({}) FROM STDIN").format(sql.Identifier(table.name), names)
    driver: Any = connection.connection
    with driver.cursor() as cursor, cursor.copy(into) as copy:
        for row in zip(*columns.values(), strict=True):
            copy.write_row(row)


def read_columns(
    connection: Connection, query: Select[Any], numbers: Collection[str]
) -> dict[str, NDArray[Any]]:
    """Return what a query finds, by columns: words, none of them NULL, or numbers.

    Each column comes as one JSON array, which is quicker than rows. Equal words are
    one object: less to hold and to compare. A blank number is NaN; a number
    may be written as a word.
    """
    found = query.subquery().c
    postgres = connection.dialect.name == "postgresql"
    gather = _gathered_there if postgres else _gathered_here
    arrays = connection.execute(select(*map(gather, found))).one()
    return {
        name: _numbers(array or b"[]")
        if name in numbers
        else _shared(_strings(array or b"[]"))
        for name, array in zip(found.keys(), arrays, strict=True)
    }


def _gathered_here(column: Any) -> Any:
    return cast(func.json_group_array(column), LargeBinary)


def _gathered_there(column: Any) -> Any:
    return func.convert_to(cast(func.json_agg(column), Text), "UTF8")


def _cut(array: bytes, first: int, after: int, between: str) -> pa.StringArray:
    """Return the parts of a text [first, after) of UTF-8; the whole is not copied."""
    bounds = np.array([first, after], np.int32)
    whole = pa.StringArray.from_buffers(1, pa.py_buffer(bounds), pa.py_buffer(array))
    return pa.compute.split_pattern(whole, between).values


def _strings(array: bytes) -> pa.StringArray:
    """Return the strings of a JSON array; where none is escaped, it need only be cut.

    Inside a string a quotation mark is escaped, so '","' is never part of one.
    """
    if array == b"[]" or b"\\" in array or _SPACED in array:
        return pa.array(json.loads(array), pa.string())
    return _cut(array, 2, len(array) - 2, '","')


def _numbers(array: bytes) -> NDArray[np.float64]:
    """Return the numbers of a JSON array, be they written as numbers or as words."""
    if array == b"[]":
        return np.empty(0)
    if b'"' in array:
        words = pa.compute.ascii_trim_whitespace(_strings(array))
        words = pa.compute.if_else(pa.compute.equal(words, ""), "nan", words)
    else:
        plain = array.replace(b" ", b"").replace(b"null", b"nan")
        words = _cut(plain, 1, len(plain) - 1, ",")
    return np.asarray(words.cast(pa.float64()))


def _shared(words: pa.StringArray) -> NDArray[np.object_]:
    coded = words.dictionary_encode()
    unique = coded.dictionary.to_numpy(zero_copy_only=False)
    return np.asarray(unique[coded.indices.to_numpy()])


def hold_loads(connection: Connection) -> None:
    """Let no other package in until this transaction ends."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("LOCK TABLE loads IN SHARE ROW EXCLUSIVE MODE"))
