"""Reading and writing the store."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias
from uuid import uuid4

import numpy as np
from sqlalchemy import (
    Connection,
    Engine,
    Select,
    false,
    func,
    insert,
    or_,
    select,
    update,
)

from lightwatch.errors import Conflict, UnknownAsset
from lightwatch.nights import latest_plausible
from lightwatch.store import schema
from lightwatch.store.bulk import add_rows, hold_loads, read_columns
from lightwatch.store.engine import settle
from lightwatch.store.trouble import telling

if TYPE_CHECKING:
    import pandas as pd

Row: TypeAlias = dict[str, Any]

_AT_ONCE = 5_000


@dataclass(frozen=True)
class Load:
    """One package taken in: when, as of when, of which place, by whom."""

    load_id: int
    loaded_at: int
    created: int
    place: dict[str, Any]
    said_by: str


@dataclass(frozen=True)
class Change:
    """A row that takes another's place: the values that differ, from when, by whom."""

    key: str
    values: Mapping[str, Any]
    effective: int
    recorded: int
    said_by: str


def _load(row: Any) -> Load:
    return Load(
        row.load_id, row.loaded_at, row.created, json.loads(row.place), row.said_by
    )


@dataclass(frozen=True)
class Store:
    """A store of observations that is up to date and open."""

    engine: Engine = field(repr=False)

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with (
            telling(self.engine, "read"),
            self.engine.connect().execution_options(reads=True) as connection,
        ):
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Writer]:
        """Write in one transaction: all of it, or none.

        Raises
        ------
        Taken
            Another writer was quicker; nothing was kept.
        Unavailable
            The database is in trouble, and it is not known whether it was kept.
        """
        with (
            telling(self.engine, "written"),
            self.engine.connect() as connection,
            connection.begin(),
        ):
            yield Writer(connection)
            _stamp(connection)

    def stamp(self) -> str:
        """Return a word that differs after every change of anything in here."""
        with self._reading() as connection:
            return str(connection.scalar(select(schema.state.c.stamp)))

    @property
    def beside(self) -> Path | None:
        """Where files that belong to the store may be; None where it is no file."""
        url = self.engine.url
        if url.get_backend_name() != "sqlite" or url.database in (None, "", ":memory:"):
            return None
        return Path(f"{url.database}.kept")

    def close(self) -> None:
        """Let the database go; an SQLite store is whole in its one file then."""
        if self.engine.dialect.name == "sqlite":
            settle(self.engine)
        self.engine.dispose()

    def loads(self) -> list[Load]:
        """Return what was loaded, oldest first."""
        with self._reading() as connection:
            return _loads(connection)

    def place(self) -> Load:
        """Return the load that says what place this is: the newest export.

        One whose ``created`` lies ahead counts only where there is no other.

        Raises
        ------
        UnknownAsset
            Nothing has been loaded.
        """
        loads = self.loads()
        if not loads:
            raise UnknownAsset("the store is empty (expected `lightwatch load DIR`)")
        latest = latest_plausible()
        return max(
            loads, key=lambda load: (load.created <= latest, load.created, load.load_id)
        )

    def newest_record(self) -> int | None:
        """Return the last instant at which an observation was recorded.

        Instants that lie ahead are left out: a wrong clock wrote them.
        """
        latest = latest_plausible()

        def newest_of(column: Any) -> Select[Any]:
            return select(func.max(column)).where(column <= latest)

        recorded = [
            newest_of(schema.TABLES[name].c.recorded)
            for name in ("reports", "repairs", "patrols", "sightings", "weather")
        ]
        with self._reading() as connection:
            replaced = connection.execute(select(schema.history.c.resource).distinct())
            versions = [
                newest_of(schema.TABLES[name].c.version_recorded)
                for name in replaced.scalars()
            ]
            newest = [connection.scalar(one) for one in (*recorded, *versions)]
        return max((at for at in newest if at is not None), default=None)

    def header(self, resource: str) -> list[str]:
        """Return the names of the columns that came with a resource, in order."""
        with self._reading() as connection:
            return _header(connection, resource)

    def frame(
        self,
        resource: str,
        columns: Sequence[str],
        before: int | None = None,
        numbers: Collection[str] = (),
        among: Mapping[str, Collection[str]] | None = None,
    ) -> pd.DataFrame:
        """Return a resource's current rows in their order; blank cells are '' or NaN.

        Parameters
        ----------
        resource
            Its name.
        columns
            Columns of its table to return.
        before
            Only rows recorded strictly before this instant [microseconds, UTC].
        numbers
            Columns to return as numbers, beside the instants and the position.
        among
            Only rows that hold in one of these columns one of its values.
        """
        from lightwatch.store.frames import pd

        table = schema.TABLES[resource]
        instants = {*schema.INSTANTS, "position"}
        wanted = dict.fromkeys([*columns, "position"])
        query = select(
            *(
                table.c[name]
                if name in instants
                else func.coalesce(table.c[name], "").label(name)
                for name in wanted
            )
        )
        if before is not None:
            recorded = func.coalesce(table.c.recorded, before - 1)
            query = query.where(recorded < before)
        if among is not None:
            held = (table.c[name].in_(sorted(some)) for name, some in among.items())
            query = query.where(or_(false(), *held))
        with self._reading() as connection:
            found = read_columns(connection, query, {*instants, *numbers})
        found["position"] = found["position"].astype(int)
        if (np.diff(found["position"]) < 0).any():  # seldom
            order = np.argsort(found["position"])
            found = {name: column[order] for name, column in found.items()}
        return pd.DataFrame(found, columns=list(columns), copy=False)

    def marks(self) -> dict[str, int]:
        """Return the last position in each table: what comes later lies beyond it."""
        tables = {**schema.TABLES, "history": schema.history}
        last = {name: table.c.position for name, table in tables.items()}
        last["loads"] = schema.loads.c.load_id
        every = (
            select(func.max(column)).scalar_subquery().label(name)
            for name, column in last.items()
        )
        with self._reading() as connection:
            found = connection.execute(select(*every)).one()._mapping
        return {name: at or 0 for name, at in found.items()}

    def beyond(self, resource: str, position: int, columns: Sequence[str]) -> list[Row]:
        """Return some columns of the rows beyond a position, in their order."""
        table = schema.TABLES[resource]
        query = select(*(table.c[name] for name in columns))
        query = query.where(table.c.position > position).order_by(table.c.position)
        with self._reading() as connection:
            return [dict(row._mapping) for row in connection.execute(query)]

    def history(self, resource: str, keys: Collection[str] | None = None) -> list[Row]:
        """Return older versions of a resource's rows, or some, oldest first."""
        table = schema.history
        query = select(table).order_by(table.c.position)
        if keys is not None:
            query = query.where(table.c.key.in_(sorted(keys)))
        with self._reading() as connection:
            rows = connection.execute(query.where(table.c.resource == resource))
            return [
                {**row._mapping, "content": json.loads(row.content)} for row in rows
            ]

    def find(self, resource: str, keys: Sequence[str]) -> dict[str, Row]:
        """Return those of the rows that are on record, by key."""
        with self._reading() as connection:
            return _find(connection, resource, keys)

    def rows(self, resource: str) -> Iterator[Row]:
        """Yield a resource's current rows in their order, blank cells None."""
        table = schema.TABLES[resource]
        query = select(table).order_by(table.c.position)
        with self._reading() as connection:
            streaming = connection.execution_options(yield_per=_AT_ONCE)
            for row in streaming.execute(query):
                yield dict(row._mapping)


def _stamp(connection: Connection) -> None:
    """Say that something changed."""
    connection.execute(update(schema.state).values(stamp=uuid4().hex))


def _loads(connection: Connection) -> list[Load]:
    rows = connection.execute(select(schema.loads).order_by(schema.loads.c.load_id))
    return [_load(row) for row in rows]


def _header(connection: Connection, resource: str) -> list[str]:
    table = schema.headers
    query = select(table.c.name).where(table.c.resource == resource)
    return list(connection.execute(query.order_by(table.c.position)).scalars())


def _find(connection: Connection, resource: str, keys: Sequence[str]) -> dict[str, Row]:
    table = schema.TABLES[resource]
    found: dict[str, Row] = {}
    for start in range(0, len(keys), _AT_ONCE):
        some = keys[start : start + _AT_ONCE]
        rows = connection.execute(select(table).where(table.c.key.in_(some)))
        found.update((row.key, dict(row._mapping)) for row in rows)
    return found


@dataclass(frozen=True)
class Writer:
    """An open transaction."""

    connection: Connection = field(repr=False)

    def loads(self) -> list[Load]:
        """Return what was loaded, oldest first; let no other package in meanwhile."""
        hold_loads(self.connection)
        return _loads(self.connection)

    def begin_load(self, loaded_at: int, created: int, place: Row, by: str) -> int:
        """Say that a package is being taken in, alone; return its number."""
        hold_loads(self.connection)
        values = {
            "loaded_at": loaded_at,
            "created": created,
            "place": json.dumps(place, ensure_ascii=False),
            "said_by": by,
        }
        result = self.connection.execute(insert(schema.loads).values(values))
        (key,) = result.inserted_primary_key or (0,)
        return int(key or 0)

    def forget_load(self, load_id: int) -> None:
        """Take back a load that brought nothing."""
        table = schema.loads
        self.connection.execute(table.delete().where(table.c.load_id == load_id))

    def header(self, resource: str, names: Sequence[str]) -> None:
        """Remember the columns that a resource came with, after those known."""
        known = _header(self.connection, resource)
        new = [name for name in names if name not in known]
        rows = [
            {"resource": resource, "position": len(known) + i, "name": name}
            for i, name in enumerate(new)
        ]
        if rows:
            self.connection.execute(insert(schema.headers), rows)

    def keys(self, resource: str) -> set[str]:
        """Return the keys of a resource's rows."""
        table = schema.TABLES[resource]
        return set(self.connection.execute(select(table.c.key)).scalars())

    def column(self, resource: str, name: str) -> dict[str, Any]:
        """Return one column of a resource by key."""
        table = schema.TABLES[resource]
        rows = self.connection.execute(select(table.c.key, table.c[name]))
        return {row[0]: row[1] for row in rows}

    def insert(self, resource: str, columns: Mapping[str, Sequence[Any]]) -> None:
        """Add rows given as columns of equal length.

        Raises
        ------
        Taken
            One of the keys is on record already (from :meth:`Store.writing`).
        """
        add_rows(self.connection, schema.TABLES[resource], columns)

    def latest(self, resource: str, by: str, name: str) -> dict[str, Any]:
        """Return the greatest value of a column for each value of another."""
        table = schema.TABLES[resource]
        query = select(table.c[by], func.max(table.c[name])).group_by(table.c[by])
        return {row[0]: row[1] for row in self.connection.execute(query)}

    def first(self, resource: str, column: str, text: str) -> str | None:
        """Return the key of the first row whose column says so; None if none does."""
        table = schema.TABLES[resource]
        query = select(table.c.key).where(table.c[column] == text)
        found: str | None = self.connection.scalar(
            query.order_by(table.c.position).limit(1)
        )
        return found

    def hold(self, resource: str, key: str) -> None:
        """Let nobody else hold or change a row until this transaction ends."""
        table = schema.TABLES[resource]
        query = select(table.c.key).where(table.c.key == key)
        self.connection.execute(query.with_for_update())

    def find(self, resource: str, keys: Sequence[str]) -> dict[str, Row]:
        """Return those of the rows that are on record, by key."""
        return _find(self.connection, resource, keys)

    def contents(
        self, resource: str, keys: Sequence[str], columns: Sequence[str]
    ) -> dict[str, tuple[Any, ...]]:
        """Return chosen columns of those rows that are on record, by key."""
        table = schema.TABLES[resource]
        query = select(table.c.key, *(table.c[name] for name in columns))
        found: dict[str, tuple[Any, ...]] = {}
        for start in range(0, len(keys), _AT_ONCE):
            some = keys[start : start + _AT_ONCE]
            rows = self.connection.execute(query.where(table.c.key.in_(some)))
            found.update((row[0], tuple(row[1:])) for row in rows)
        return found

    def date_version(self, resource: str, key: str, version: Row) -> None:
        """Say since when, and by whose word, a row's present version counts."""
        table = schema.TABLES[resource]
        self.connection.execute(update(table).where(table.c.key == key).values(version))

    def replace(self, resource: str, change: Change) -> None:
        """Put a new version in a row's place; the old one moves to the history.

        Raises
        ------
        UnknownAsset
            There is no such row.
        Conflict
            The version on record already counts from a later instant.
        """
        self.hold(resource, change.key)
        old = self.find(resource, [change.key]).get(change.key)
        if old is None:
            raise UnknownAsset(f"{resource}: no row {change.key!r}")
        since = old["effective"]
        if since is not None and change.effective < since <= latest_plausible():
            raise Conflict(
                f"{resource} {change.key}: the version on record counts from later"
            )
        self.keep_version(resource, old)
        dates = {
            "effective": change.effective,
            "version_recorded": change.recorded,
            "said_by": change.said_by,
        }
        self.date_version(resource, change.key, {**change.values, **dates})

    def keep_version(self, resource: str, row: Row) -> None:
        """Add an older version of a row to the history."""
        content = {
            name: value
            for name, value in row.items()
            if name not in (*schema.META, "position") or name == "extra"
        }
        kept = ("effective", "version_recorded", "said_by", "happened", "recorded")
        self.connection.execute(
            insert(schema.history).values(
                resource=resource,
                key=row["key"],
                content=json.dumps(content, ensure_ascii=False),
                **{name: row.get(name) for name in kept},
            )
        )
