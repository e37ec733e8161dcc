"""The tables: one for each file of the exchange format, as it came, dated.

A row's values stay as text, as given. ``happened`` and ``recorded`` are instants
(microseconds, UTC); a row counts from ``recorded`` on, strictly after, and where that
is blank it always did. When a later row replaces one, the older moves to ``history``.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
)

from lightwatch.words import Resource, resources

Instant = BigInteger().with_variant(Integer, "sqlite")

META = (
    "key",
    "load_id",
    "effective",
    "version_recorded",
    "said_by",
    "happened",
    "recorded",
    "extra",
)
"""Columns that every resource's table has beside the format's own."""

INSTANTS = ("effective", "version_recorded", "happened", "recorded")

_HELD_BY_KEY = {"lights", "circuits"}
"""Resources whose rows are there before others name them: a circuit without a row of
its own is made from what names it."""

metadata = MetaData()

loads = Table(
    "loads",
    metadata,
    Column("load_id", Integer, primary_key=True),
    Column("loaded_at", Instant, nullable=False),
    Column("created", Instant, nullable=False),
    Column("place", Text, nullable=False),
    Column("said_by", Text, nullable=False),
)

headers = Table(
    "headers",
    metadata,
    Column("resource", Text, primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("name", Text, nullable=False),
)

state = Table(
    "state",
    metadata,
    Column("stamp", Text, primary_key=True),
)
"""One row: a word that differs after every change of anything here."""

history = Table(
    "history",
    metadata,
    Column("position", Instant, primary_key=True, autoincrement=True),
    Column("resource", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("effective", Instant),
    Column("version_recorded", Instant),
    Column("said_by", Text),
    Column("happened", Instant),
    Column("recorded", Instant),
    Column("content", Text, nullable=False),
    Index("history_by_key", "resource", "key"),
)


def _column(resource: Resource, name: str) -> Column[str]:
    to = resource.references.get(name)
    if to in _HELD_BY_KEY and resource.name not in ("reports", "repairs"):
        return Column(name, Text, ForeignKey(f"{to}.key"))
    return Column(name, Text)


def _table(resource: Resource) -> Table:
    columns = resource.columns or (
        "road_id",
        "name",
        "class",
        "speed_kmh",
        "one_way",
        "geometry",
    )
    return Table(
        resource.name,
        metadata,
        Column("position", Instant, primary_key=True, autoincrement=True),
        Column("key", Text, nullable=False, unique=True),
        Column("load_id", Integer, ForeignKey("loads.load_id")),
        Column("effective", Instant),
        Column("version_recorded", Instant),
        Column("said_by", Text),
        Column("happened", Instant),
        Column("recorded", Instant),
        Column("extra", Text),
        *(_column(resource, name) for name in columns),
    )


TABLES: dict[str, Table] = {
    name: _table(resource) for name, resource in resources().items()
}

Index("reports_by_light", TABLES["reports"].c.light_id)
Index("repairs_by_light", TABLES["repairs"].c.light_id)
Index("repairs_by_record", TABLES["repairs"].c.recorded)
Index("reports_by_record", TABLES["reports"].c.recorded)
Index("patrols_by_record", TABLES["patrols"].c.recorded)

PARTS = {
    "lights": ("circuit_id",),
    "components": ("light_id", "circuit_id"),
    "sections": ("circuit_id",),
    "reports": ("duplicate_of",),
    "repairs": ("circuit_id", "section_id", "report_id", "supersedes"),
    "patrols": ("road_id",),
    "sightings": ("light_id",),
}
"""Columns by which the records of a part of the town are found."""

for _name, _columns in PARTS.items():
    for _column_name in _columns:
        _by = TABLES[_name].c[_column_name]
        Index(f"{_name}_by_{_column_name}", _by)
