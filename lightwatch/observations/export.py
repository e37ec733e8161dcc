"""The store as a data package: what came in goes out, and loads back to the same."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from lightwatch.errors import Conflict
from lightwatch.nights import LocalTime
from lightwatch.observations.known import default_as_of
from lightwatch.observations.past import FIELDS, HISTORY, write_history
from lightwatch.observations.roads import feature
from lightwatch.observations.tables import table_writer
from lightwatch.store import Row, Store
from lightwatch.words import descriptor


def _cells(row: Row, header: list[str], known: set[str]) -> Iterator[str]:
    extra = json.loads(row["extra"]) if row["extra"] else {}
    for name in header:
        yield (row[name] if name in known else extra.get(name)) or ""


def _write_table(store: Store, name: str, path: Path, known: set[str]) -> list[str]:
    header = store.header(name)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = table_writer(file)
        writer.writerow(header)
        writer.writerows(_cells(row, header, known) for row in store.rows(name))
    return header


def _write_roads(store: Store, path: Path) -> None:
    features = [
        feature(row, json.loads(row["extra"]) if row["extra"] else {})
        for row in store.rows("roads")
    ]
    lines = ",\n".join(json.dumps(one, ensure_ascii=False) for one in features)
    path.write_text(
        f'{{"type": "FeatureCollection", "features": [\n{lines}\n]}}\n', "utf-8"
    )


def _with_columns(resource: dict[str, Any], header: list[str]) -> dict[str, Any]:
    fields = {field["name"]: field for field in resource["schema"]["fields"]}
    further = {"type": "string", "description": "came with the rows"}
    schema = dict(resource["schema"])
    schema["fields"] = [fields.get(n, {"name": n, **further}) for n in header]
    schema["foreignKeys"] = [
        key for key in schema.get("foreignKeys", ()) if key["fields"] in header
    ]
    return {**resource, "schema": schema}


def _history_resource() -> dict[str, Any]:
    return {
        "name": HISTORY,
        "path": f"{HISTORY}.csv",
        "description": "Rows as they stood before a later version replaced them.",
        "profile": "tabular-data-resource",
        "encoding": "utf-8",
        "schema": {"fields": [{"name": name, "type": "string"} for name in FIELDS]},
    }


def export(store: Store, folder: Path) -> None:
    """Write the store as a package into a folder that is empty or not yet there.

    Raises
    ------
    Conflict
        There is something in the folder already.
    UnknownAsset
        The store is empty.
    """
    place = store.place().place
    clock = LocalTime(place["timezone"])
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Conflict(f"{folder} is not an empty folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Conflict(f"{folder} cannot be made ({error.strerror})") from None
    package = descriptor()
    package["created"] = clock.written(default_as_of(store))
    package["lightwatch:place"] = place
    kept = []
    for resource in package["resources"]:
        name, path = resource["name"], folder / resource["path"]
        header = store.header(name)
        if name == "roads" and header:
            _write_roads(store, path)
        elif header:
            known = {field["name"] for field in resource["schema"]["fields"]}
            resource = _with_columns(resource, _write_table(store, name, path, known))
        if header:
            kept.append(resource)
    if write_history(store, clock, folder / f"{HISTORY}.csv"):
        kept.append(_history_resource())
    package["resources"] = kept
    text = json.dumps(package, ensure_ascii=False, indent=1)
    (folder / "datapackage.json").write_text(text + "\n", "utf-8")
