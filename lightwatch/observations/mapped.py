"""A folder read through a saved mapping: a package whose rows are ours as text."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.mapping import GEO, SHEETS, TEXTS, Source, ours
from lightwatch.observations.mapping import SavedMapping as Saved
from lightwatch.observations.package import Package, recognised
from lightwatch.observations.roads import road_rows
from lightwatch.observations.sheets import read_sheet
from lightwatch.observations.tables import Rows, Theirs, names_of, read_table, spoken
from lightwatch.observations.turning import turned
from lightwatch.words import Resource, resources

_SHAPED = {
    "lights": ("longitude", "latitude"),
    "circuits": ("longitude", "latitude"),
    "stations": ("longitude", "latitude"),
    "reports": ("longitude", "latitude"),
    "sections": ("length_m",),
    "roads": ("geometry",),
}
"""What a file of ours takes from a shape."""


@dataclass(frozen=True)
class MappedPackage(Package):
    """A folder of other people's files, as the mapping says that they are to be read.

    It is a :class:`Package` to intake: the same files, columns of the same names.
    """

    mapping: Saved = field(repr=False)

    @classmethod
    def through(cls, folder: Path, mapping: Saved) -> MappedPackage:
        """Open a folder.

        Raises
        ------
        NotUnderstood
            A time of the place cannot be read, a file is not there, or one that a
            register cannot be without is not mapped.
        """
        if not folder.is_dir():
            raise NotUnderstood(f"{folder} is not a folder")
        where = f"{mapping.path}, [place]"
        try:
            clock = LocalTime(str(mapping.place["timezone"]))
            created = clock.instant(mapping.created)
            clock.instant(str(mapping.place["opened_on"]))
        except NotUnderstood as error:
            raise NotUnderstood(f"{where}: created or opened_on {error}") from None
        for sources in mapping.sources.values():
            for source in sources:
                _there(folder, source, mapping.path)
        package = cls(folder, dict(mapping.place), clock, created, {}, mapping)
        for resource in resources().values():
            if resource.required and not package.has(resource.name):
                raise NotUnderstood(
                    f"{mapping.path}: [{resource.name}] is missing; a register cannot "
                    f'be without it: say file = "…" and its columns'
                )
        return package

    def has(self, name: str) -> bool:
        """Tell whether a file of ours is mapped."""
        return name in self.mapping.sources

    def path(self, name: str) -> Path:
        """Return the first file of theirs that a file of ours is read from."""
        return self.folder / self.mapping.sources[name][0].file

    def rows(self, resource: Resource, at_once: int | None) -> Iterator[Rows]:
        """Yield rows with our columns, so many at once, or all together."""
        sources = self.mapping.sources[resource.name]
        several = len(sources) > 1
        found = (
            _as_ours(rows, source, self._where(source), several=several)
            for source in sources
            for rows in self._read(source, at_once)
        )
        if at_once is None and several:
            yield joined(list(found))
        else:
            yield from found

    def _where(self, source: Source) -> str:
        part = f", {source.sheet}" if source.sheet else ""
        return f"{self.folder / source.file}{part}"

    def _read(self, source: Source, at_once: int | None) -> Iterator[Rows]:
        path = self.folder / source.file
        if source.is_geo:
            from lightwatch.observations.places import read_places

            crs = source.reading.get("crs")
            own = {"longitude", "latitude"} & source.columns.keys()
            for rows in read_places(
                path, layer=source.sheet, crs=None if own else crs, at_once=at_once
            ):
                _header(list(rows.columns), source, self._where(source))
                yield rows
            return

        def header(cells: list[str]) -> list[str]:
            return _header(names_of(cells), source, self._where(source))

        if path.suffix.lower() in SHEETS:
            yield from read_sheet(
                path,
                header,
                sheet=source.sheet,
                header_row=source.header_row,
                at_once=at_once,
            )
        else:
            yield from read_table(
                path,
                header,
                encoding=source.encoding,
                delimiter=source.delimiter,
                known=frozenset(
                    spoken(name) for names in source.columns.values() for name in names
                ),
                header_row=source.header_row or 1,
                at_once=at_once,
            )


def _there(folder: Path, source: Source, mapping: Path) -> None:
    parts, known = Path(source.file), (*TEXTS, *SHEETS, *GEO)
    if parts.is_absolute() or ".." in parts.parts:
        raise NotUnderstood(
            f"{mapping}, [{source.resource}]: file {source.file!r} leaves the folder"
        )
    if not (folder / parts).is_file():
        raise NotUnderstood(
            f"{mapping}, [{source.resource}]: file {source.file!r} is not in {folder}"
        )
    if parts.suffix.lower() not in known:
        raise NotUnderstood(
            f"{mapping}, [{source.resource}]: {source.file!r} is of a kind that cannot "
            f"be read (expected {', '.join(known)}); save it as one of them"
        )


def _header(names: list[str], source: Source, where: str) -> list[str]:
    """Check that a table has the columns that its mapping names."""
    if not names:
        raise NotUnderstood(f"{where} is empty (expected a row of column names)")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise NotUnderstood(
            f"{where}: column {twice[0]!r} stands twice; rename or delete one"
        )
    for column, theirs in source.columns.items():
        for name in theirs:
            if name not in names:
                raise NotUnderstood(
                    f"{where}: column {name!r}, mapped to {column}, is not there (it "
                    f"has {', '.join(names)}); correct [{source.resource}.columns]"
                )
    given = {*source.columns, *source.constants, *_own(names, source, where)}
    if source.is_geo:
        given |= {n for n in _SHAPED.get(source.resource, ()) if f"shape.{n}" in names}
    for one in ours(source.resource).values():
        if one.required and one.name not in given:
            raise NotUnderstood(
                f"{where}: nothing is mapped to {one.name} (it has {', '.join(names)}"
                f'); add {one.name} = "…" to [{source.resource}.columns] or .constants'
            )
    return names


def _own(names: list[str], source: Source, where: str) -> dict[str, str]:
    """Return the columns that have our name already, and that no line maps."""
    taken = {name for theirs in source.columns.values() for name in theirs}
    free = [name for name in names if name not in taken]
    found = recognised(free, ours(source.resource), Path(where))
    return {
        new: old
        for old, new in zip(free, found, strict=True)
        if new in ours(source.resource)
        and new not in source.columns
        and new not in source.constants
    }


def _picked(rows: Rows, names: tuple[str, ...]) -> list[str]:
    if len(names) == 1:
        return rows.columns[names[0]]
    parts = zip(*(rows.columns[name] for name in names), strict=True)
    return [" ".join(filter(None, (text.strip() for text in row))) for row in parts]


def _as_ours(rows: Rows, source: Source, where: str, *, several: bool) -> Rows:
    own = _own(list(rows.columns), source, where)
    chosen = {**{new: (old,) for new, old in own.items()}, **source.columns}
    reading = {**source.columns, **{new: (new,) for new in own}}
    judged = replace(source, columns=reading)
    made = Rows(rows.lines, {}, dict(rows.misshapen))
    for column in ours(source.resource).values():
        if column.name in source.constants:
            text = source.constants[column.name]
            made.columns[column.name] = [text] * len(rows.lines)
        elif column.name in chosen:
            values = _picked(rows, chosen[column.name])
            mine, bad = turned(column, judged, values)
            made.columns[column.name] = mine
            named = " + ".join(chosen[column.name])
            made.theirs[column.name] = Theirs(named, values)
            made.misread.update({(i, column.name): why for i, why in bad.items()})
    _place(made, rows, judged, where)
    _extra(made, rows, {name for names in chosen.values() for name in names}, source)
    if source.resource == "roads":
        made = _roads(made, rows)
    if several:
        _say_where(made, where)
    return made


def _place(made: Rows, rows: Rows, source: Source, where: str) -> None:
    """Fill what the shape says; turn coordinates of another system into degrees."""
    for name in _SHAPED.get(source.resource, ()):
        shape = rows.columns.get(f"shape.{name}")
        if shape and name not in made.columns and name != "geometry":
            made.columns[name] = shape
            kinds = rows.columns["shape.geometry"]
            made.theirs[name] = Theirs("the shape", kinds)
    pair, crs = ("longitude", "latitude"), source.reading.get("crs")
    both_there = all(name in source.columns for name in pair)
    if crs and both_there and not all(map(source.is_ours, pair)):
        from lightwatch.observations.places import to_degrees

        east, north = (made.columns[name] for name in pair)
        *both, outside = to_degrees(crs, east, north, where)
        made.columns.update(zip(pair, both, strict=True))
        for i in outside:
            made.misread[i, "longitude"] = f"longitude lies outside {crs}"


def _extra(made: Rows, rows: Rows, used: set[str], source: Source) -> None:
    """Keep their further columns, under their names."""
    for name, values in rows.columns.items():
        if name not in used and not name.startswith("shape."):
            clash = name in made.columns or name in ours(source.resource)
            made.columns[f"{name} (theirs)" if clash else name] = values


def _json(name: str, text: str) -> Any:
    """Return a road's property as GeoJSON has it."""
    if name == "speed_kmh":
        try:
            return float(text) if "." in text else int(text)
        except ValueError:
            return text or None
    if name == "one_way":
        return {"true": True, "false": False, "": None}.get(text, text)
    return text or None


def _roads(made: Rows, rows: Rows) -> Rows:
    shapes = rows.columns.get("shape.geometry", [""] * len(rows.lines))
    features = []
    for i, shape in enumerate(shapes):
        line = shape.startswith("[")
        features.append(
            {
                "type": "Feature",
                "geometry": {
                    "type": "LineString" if line else shape,
                    "coordinates": json.loads(shape) if line else None,
                },
                "properties": {n: _json(n, v[i]) for n, v in made.columns.items()},
            }
        )
    found = road_rows(features)
    found.lines = rows.lines
    found.misread, found.theirs = made.misread, made.theirs
    return found


def _say_where(made: Rows, where: str) -> None:
    made.misread = {at: f"{why}, in {where}" for at, why in made.misread.items()}
    made.misshapen = {i: f"{why}, in {where}" for i, why in made.misshapen.items()}


def joined(parts: list[Rows]) -> Rows:
    """Return the rows of several tables as one; a column that one lacks is blank."""
    names = list(dict.fromkeys(name for part in parts for name in part.columns))
    whole = Rows([], {name: [] for name in names})
    raw: dict[str, Theirs] = {}
    for part in parts:
        before, blank = len(whole.lines), [""] * len(part.lines)
        whole.lines += part.lines
        for name in names:
            values = part.columns.get(name, blank)
            whole.columns[name] += values
            theirs = part.theirs.get(name, Theirs(name, values))
            raw.setdefault(name, Theirs(theirs.name, [])).values.extend(theirs.values)
        shifted = {(i + before, name): why for (i, name), why in part.misread.items()}
        whole.misread.update(shifted)
        whole.misshapen.update({i + before: w for i, w in part.misshapen.items()})
    whole.theirs = raw
    return whole
