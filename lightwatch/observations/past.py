"""Older versions of rows: a further file of an exported package, and back in.

Each line holds a row as it stood before it was replaced, with when, and by whom, the
version after it came to count.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.dating import dated
from lightwatch.observations.package import Package
from lightwatch.observations.rules import read_times
from lightwatch.observations.tables import table_writer
from lightwatch.store import Row, Store, Writer
from lightwatch.words import Field, Resource, resources

HISTORY = "history"
FIELDS = ("resource", "key", "effective", "recorded", "said_by", "content")

_FILE = Resource(
    HISTORY,
    f"{HISTORY}.csv",
    required=False,
    fields=tuple(Field(name, "string", True, None, None, None) for name in FIELDS),
    key=(),
    references={},
)
_DATED = ("effective", "version_recorded", "said_by")


def _stamp(at: int | None, clock: LocalTime) -> str:
    return "" if at is None else clock.written(at)


def _lines(store: Store, clock: LocalTime) -> Iterator[tuple[str, ...]]:
    for name in resources():
        versions: dict[str, list[Row]] = {}
        for row in store.history(name):
            versions.setdefault(row["key"], []).append(row)
        current = store.find(name, list(versions))
        for key, rows in versions.items():
            for old, new in zip(rows, [*rows[1:], current[key]], strict=True):
                yield (
                    name,
                    key,
                    _stamp(new["effective"], clock),
                    _stamp(new["version_recorded"], clock),
                    new["said_by"] or "",
                    json.dumps(old["content"], ensure_ascii=False, sort_keys=True),
                )


def write_history(store: Store, clock: LocalTime, path: Path) -> bool:
    """Write the older versions of rows; tell whether there were any."""
    lines = list(_lines(store, clock))
    if lines:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = table_writer(file)
            writer.writerow(FIELDS)
            writer.writerows(lines)
    return bool(lines)


def _read(package: Package) -> Iterator[tuple[int, dict[str, str]]]:
    for rows in package.rows(_FILE, None):
        cells = zip(*(rows.columns[name] for name in FIELDS), strict=True)
        for line, row in zip(rows.lines, cells, strict=True):
            yield line, dict(zip(FIELDS, row, strict=True))


def _version(row: dict[str, str], clock: LocalTime) -> Row:
    return {
        "effective": clock.instant(row["effective"]),
        "version_recorded": clock.instant(row["recorded"]),
        "said_by": row["said_by"],
    }


def _old(row: dict[str, str], clock: LocalTime, patrols: Mapping[str, int]) -> Row:
    name, content = row["resource"], json.loads(row["content"])
    known = {k: [v or ""] for k, v in content.items() if k != "extra"}
    times = read_times(resources()[name], known, clock)
    (happened,), (recorded,) = dated(name, known, times, clock, patrols)
    return {"key": row["key"], **content, "happened": happened, "recorded": recorded}


def take_in_history(
    writer: Writer, package: Package, load_id: int, patrols: Mapping[str, int]
) -> None:
    """Take in the older versions of the rows that one load has just brought.

    Parameters
    ----------
    writer
        An open transaction, in which the package's other files were taken in.
    package
        The package.
    load_id
        The load; of rows that were on record before it nothing is taken in.
    patrols
        Patrol to the instant at which it was recorded.

    Raises
    ------
    NotUnderstood
        The file is not as :func:`write_history` writes it.
    """
    last: dict[tuple[str, str], dict[str, Any]] = {}
    for line, row in _read(package):
        where = name, key = row["resource"], row["key"]
        try:
            current = writer.find(name, [key]).get(key)
            old = _old(row, package.clock, patrols)
            version = _version(row, package.clock)
        except (ValueError, KeyError, AttributeError, TypeError) as error:
            raise NotUnderstood(
                f"{package.path(HISTORY)}, line {line}: {error}"
            ) from None
        if current and current["load_id"] == load_id and not current["said_by"]:
            before = last.get(where) or dict.fromkeys(_DATED)
            writer.keep_version(name, {**old, **before})
            last[where] = version
    for (name, key), version in last.items():
        writer.date_version(name, key, version)
