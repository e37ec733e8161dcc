"""Older versions of rows: a further file of an exported package, and back in.

Each line holds a row as it stood before it was replaced, with when, and by whom, the
version after it came to count.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.dating import dated
from lightwatch.observations.package import Package
from lightwatch.observations.rules import read_times
from lightwatch.store import Row, Store, Writer
from lightwatch.words import resources

HISTORY = "history"
FIELDS = ("resource", "key", "effective", "recorded", "said_by", "content")

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
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(FIELDS)
            writer.writerows(lines)
    return bool(lines)


def _read(package: Package) -> Iterator[tuple[int, dict[str, str]]]:
    path = package.path(HISTORY)
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.DictReader(file)
        for row in reader:
            if set(FIELDS) - {name for name, text in row.items() if text is not None}:
                raise NotUnderstood(
                    f"{path}, line {reader.line_num}: expected {', '.join(FIELDS)}"
                )
            yield reader.line_num, row


def _version(row: dict[str, str], package: Package) -> dict[str, Any]:
    clock = package.clock
    return {
        "effective": clock.instant(row["effective"]),
        "version_recorded": clock.instant(row["recorded"]),
        "said_by": row["said_by"],
    }


def take_in_history(writer: Writer, package: Package) -> None:
    """Take in the older versions of rows that came in with their package.

    Raises
    ------
    NotUnderstood
        The file is not as :func:`write_history` writes it.
    """
    last: dict[tuple[str, str], dict[str, Any]] = {}
    for line, row in _read(package):
        where = row["resource"], row["key"]
        try:
            content = json.loads(row["content"])
            version = _version(row, package)
            known = {k: [v or ""] for k, v in content.items() if k != "extra"}
            times = read_times(resources()[where[0]], known, package.clock)
            (happened,), (recorded,) = dated(where[0], known, times, package.clock, {})
        except (ValueError, KeyError, AttributeError) as error:
            raise NotUnderstood(
                f"{package.path(HISTORY)}, line {line}: {error}"
            ) from None
        before = last.get(where) or dict.fromkeys(_DATED)
        dates = {"happened": happened, "recorded": recorded}
        writer.keep_version(where[0], {"key": where[1], **content, **dates, **before})
        last[where] = version
    for (resource, key), version in last.items():
        writer.date_version(resource, key, version)
