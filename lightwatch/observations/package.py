"""A data package in a folder: its descriptor, its files, their rows."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.words import Resource, resources

_BREAK = re.compile(r"\r\n|\n|\r")

csv.field_size_limit(16 * 1024 * 1024)


@dataclass
class Rows:
    """Some rows of a file, as columns of text; ``lines`` says where each starts."""

    lines: list[int]
    columns: dict[str, list[str]]
    misshapen: dict[int, str] = field(default_factory=dict)
    """Index to what is wrong with the number of the row's cells."""


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
                f"{folder} is no data package (expected datapackage.json in it)"
            ) from None
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
        return name in self.files and self.path(name).is_file()

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
        path = self.path(resource.name)
        encoding = str(self.files[resource.name].get("encoding", "utf-8"))
        encoding = "utf-8-sig" if encoding.lower() in ("utf-8", "utf8") else encoding
        dialect = self.files[resource.name].get("dialect")
        delimiter = dialect.get("delimiter", ",") if isinstance(dialect, dict) else ","
        try:
            with path.open(encoding=encoding, newline="") as file:
                reader = csv.reader(file, delimiter=delimiter, strict=True)
                header = _header(next(reader, []), resource, path)
                yield from _batches(reader, header, at_once)
        except (UnicodeDecodeError, LookupError) as error:
            raise NotUnderstood(f"{path} is not {encoding} text ({error})") from None
        except csv.Error as error:
            raise NotUnderstood(
                f"{path}, line {reader.line_num}: not a table ({error})"
            ) from None
        except (OSError, TypeError) as error:
            raise NotUnderstood(f"{path} cannot be read ({error})") from None


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
    twice = {name for name in header if header.count(name) > 1}
    if twice:
        raise NotUnderstood(f"{path}: column {sorted(twice)[0]!r} stands twice")
    missing = [
        one.name for one in resource.fields if one.required and one.name not in header
    ]
    if missing:
        raise NotUnderstood(
            f"{path}: column {missing[0]!r} is missing (found: {', '.join(header)})"
        )
    return header


def _batches(reader: Any, header: list[str], at_once: int | None) -> Iterator[Rows]:
    start, first = reader.line_num + 1, True
    while True:
        rows = list(islice(reader, at_once))
        if not rows and not first:
            return
        first = False
        lines = _lines(rows, start, reader.line_num)
        start = reader.line_num + 1
        if not all(rows):
            lines = [line for line, row in zip(lines, rows, strict=True) if row]
            rows = [row for row in rows if row]
        yield _rows(header, lines, *_squared(rows, len(header)))


class _Table:
    """Lines that end in a newline; a cell with any line break in it is quoted."""

    def __init__(self, file: TextIO) -> None:
        self.file = file

    def write(self, line: str) -> int:
        return self.file.write(line.removesuffix("\r\n") + "\n")


def table_writer(file: TextIO) -> Any:
    """Return a writer of rows to a file that was opened with no translation."""
    return csv.writer(_Table(file))


def _lines(rows: list[list[str]], first: int, last: int) -> list[int]:
    """Return the line on which each row starts; a quoted cell may hold several."""
    if last - first + 1 == len(rows):
        return list(range(first, last + 1))
    lines = []
    for row in rows:
        lines.append(first)
        first += 1 + sum(len(_BREAK.findall(cell)) for cell in row)
    return lines


def _squared(
    rows: list[list[str]], width: int
) -> tuple[list[list[str]], dict[int, str]]:
    """Cut or fill rows to the header's width; tell which were not."""
    if set(map(len, rows)) <= {width}:
        return rows, {}
    bad = {
        i: f"has {len(row)} cells, the header {width}"
        for i, row in enumerate(rows)
        if len(row) != width
    }
    return [(row + [""] * width)[:width] for row in rows], bad


def _rows(
    header: list[str], lines: list[int], rows: list[list[str]], bad: dict[int, str]
) -> Rows:
    columns = zip(*rows, strict=True) if rows else [()] * len(header)
    named = dict(zip(header, map(list, columns), strict=True))
    return Rows(lines, named, bad)
