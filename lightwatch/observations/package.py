"""A data package in a folder: its descriptor, its files, their rows."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.roads import read_roads
from lightwatch.observations.tables import Rows, names_of, read_table, spoken
from lightwatch.words import Resource, resources


def _place(loaded: dict[str, Any], where: Path) -> dict[str, Any]:
    place = loaded.get("lightwatch:place")
    if not isinstance(place, dict):
        raise NotUnderstood(f"{where}: lightwatch:place is missing")
    for name in ("name", "opened_on", "timezone"):
        if not isinstance(place.get(name), str) or not place[name]:
            raise NotUnderstood(f"{where}: lightwatch:place.{name} is missing")
    return place


@dataclass(frozen=True)
class Package:
    """A package: where it is, of which place, as of when."""

    folder: Path
    place: dict[str, Any]
    clock: LocalTime = field(repr=False)
    created: int
    files: dict[str, dict[str, Any]] = field(repr=False)

    @classmethod
    def open(cls, folder: Path) -> Package:
        """Read a package's descriptor.

        Raises
        ------
        NotUnderstood
            There is no descriptor, it is not one of this format, or a file that a
            package cannot be without is missing.
        """
        where = folder / "datapackage.json"
        try:
            loaded = json.loads(where.read_text("utf-8-sig"))
        except (FileNotFoundError, NotADirectoryError):
            raise NotUnderstood(
                f"{folder} is no data package (expected datapackage.json in it; "
                "for other files draft a mapping with lightwatch map-columns)"
            ) from None
        except RecursionError:
            raise NotUnderstood(f"{where} is nested too deep") from None
        except (ValueError, OSError) as error:
            raise NotUnderstood(f"{where} cannot be read ({error})") from None
        if not isinstance(loaded, dict):
            raise NotUnderstood(f"{where} is not a JSON object")
        place = _place(loaded, where)
        clock = LocalTime(place["timezone"])
        try:
            created = clock.instant(str(loaded.get("created", "")))
            clock.instant(place["opened_on"])
        except NotUnderstood as error:
            raise NotUnderstood(f"{where}: created or opened_on {error}") from None
        package = cls(folder, place, clock, created, _files(loaded, folder))
        for resource in resources().values():
            if resource.required and not package.has(resource.name):
                raise NotUnderstood(
                    f"{folder}: {resource.path} is missing (a package must have it)"
                )
        return package

    def has(self, name: str) -> bool:
        """Tell whether a resource's file is in the package."""
        try:
            return name in self.files and self.path(name).is_file()
        except OSError:  # no file can have such a name
            return False

    def path(self, name: str) -> Path:
        """Return where a resource's file is."""
        return self.folder / str(self.files[name]["path"])

    def rows(self, resource: Resource, at_once: int | None) -> Iterator[Rows]:
        """Yield a file's rows, so many at once, or all together.

        Raises
        ------
        NotUnderstood
            The file is not text in the encoding that the descriptor gives, or its
            first line does not name its columns.
        """
        path, described = self.path(resource.name), self.files[resource.name]
        if resource.name == "roads":
            yield read_roads(path)
            return
        dialect = described.get("dialect")
        yield from read_table(
            path,
            lambda header: _header(header, resource, path),
            encoding=str(described.get("encoding", "utf-8")),
            delimiter=dialect.get("delimiter") if isinstance(dialect, dict) else None,
            known=frozenset(resource.columns),
            at_once=at_once,
        )


def _files(loaded: dict[str, Any], folder: Path) -> dict[str, dict[str, Any]]:
    files: dict[str, dict[str, Any]] = {}
    listed = loaded.get("resources")
    for row in listed if isinstance(listed, list) else ():
        if isinstance(row, dict) and isinstance(row.get("path"), str):
            parts = Path(row["path"])
            if parts.is_absolute() or ".." in parts.parts:
                raise NotUnderstood(f"{folder}: path {row['path']!r} leaves the folder")
            files[str(row.get("name"))] = row
    for resource in resources().values():
        files.setdefault(resource.name, {"path": resource.path})
    return files


def _header(header: list[str], resource: Resource, path: Path) -> list[str]:
    if not header:
        raise NotUnderstood(f"{path} is empty (expected a first line of column names)")
    names = recognised(names_of(header), resource.columns, path)
    missing = [
        one.name for one in resource.fields if one.required and one.name not in names
    ]
    if missing:
        raise NotUnderstood(
            f"{path}: column {missing[0]!r} is missing (found: {', '.join(names)}); if "
            "it has another name, draft a mapping with lightwatch map-columns"
        )
    return names


def recognised(names: list[str], ours: Collection[str], path: Path) -> list[str]:
    """Return a file's column names, with ours where only case or spacing differs.

    Raises
    ------
    NotUnderstood
        Two columns have one name.
    """
    known = {spoken(name): name for name in ours}
    found = [name if name in ours else known.get(spoken(name), name) for name in names]
    found = [
        old if new != old and new in names else new
        for old, new in zip(names, found, strict=True)
    ]
    twice = sorted({name for name in found if found.count(name) > 1})
    if twice:
        like = [old for old, new in zip(names, found, strict=True) if new == twice[0]]
        written = "" if len(set(like)) == 1 else f" (as {' and '.join(like)})"
        raise NotUnderstood(
            f"{path}: column {twice[0]!r} stands twice{written}; rename or delete one"
        )
    return found
