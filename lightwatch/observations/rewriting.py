"""Rows of theirs rewritten as rows of ours, and what each value was read from."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from lightwatch.nights import LocalTime
from lightwatch.observations.package import recognised
from lightwatch.observations.picking import (
    by_lantern,
    one_each,
    some_rows,
)
from lightwatch.observations.roads import road_rows
from lightwatch.observations.source import Source, ours
from lightwatch.observations.tables import Rows, Theirs, spoken
from lightwatch.observations.turning import turned
from lightwatch.words import resources

SHAPED = {
    "lights": ("longitude", "latitude"),
    "circuits": ("longitude", "latitude"),
    "stations": ("longitude", "latitude"),
    "reports": ("longitude", "latitude"),
    "repairs": ("longitude", "latitude"),
    "sections": ("length_m",),
    "roads": ("geometry",),
}
"""What a file of ours takes from a shape."""


def own_columns(names: list[str], source: Source, where: str) -> dict[str, str]:
    """Return the columns that have our name already: ours only if no line maps any.

    A column of theirs that merely shares a name with ours may hold something else. So
    where the mapping names columns, what it does not name is not ours.
    """
    if source.columns:
        return {}
    found = recognised(names, ours(source.resource), Path(where))
    return {
        new: old
        for old, new in zip(names, found, strict=True)
        if new in ours(source.resource) and new not in source.constants
    }


def key_of(resource: str) -> str | None:
    """Return the one column by which rows of a file of ours are known."""
    key = ("road_id",) if resource == "roads" else resources()[resource].key
    return key[0] if len(key) == 1 else None


def rewritten(
    rows: Rows, source: Source, where: str, clock: LocalTime, *, several: bool
) -> Rows:
    """Return rows of theirs as rows of ours.

    Parameters
    ----------
    rows
        Theirs, those that count; what a shape says as ``shape.longitude`` and so on.
    source
        How to read them.
    where
        What to name in a refusal.
    clock
        Local time at the place.
    several
        The rows of other tables are put beside these: say where each is from.
    """
    nth = [1] * len(rows.lines)
    for column, signs in source.split.items():
        rows, nth = one_each(rows, source.columns[column][0], signs)
    if source.lanterns:
        made = _with_lanterns(rows, source, where, clock)
    else:
        made = _as_ours(rows, source, where, clock)
    key = key_of(source.resource)
    if key and source.split and key in made.columns:
        cells = zip(made.columns[key], nth, strict=True)
        made.columns[key] = [f"{text}/{k}" if k > 1 else text for text, k in cells]
    if several:
        _say_where(made, where)
    return made


def _with_lanterns(rows: Rows, source: Source, where: str, clock: LocalTime) -> Rows:
    """Make a light of each lantern: 12, then 12-2, 12-3 …, all on pole 12."""
    assert source.lanterns is not None
    lamp = source.columns.get("technology", ("",))[0]
    parts = []
    each = by_lantern(rows, source.lanterns, lamp or None)
    for k, (part, columns) in enumerate(each, start=1):
        changed = {**source.columns, **{new: (old,) for new, old in columns.items()}}
        made = _as_ours(part, replace(source, columns=changed), where, clock)
        lights = made.columns["light_id"]
        made.columns.setdefault("pole_id", list(lights))
        if k > 1:
            made.columns["light_id"] = [text and f"{text}-{k}" for text in lights]
        parts.append(made)
    return joined(parts)


def first_of_each(rows: Rows, resource: str, seen: set[str]) -> Rows:
    """Keep the first row of each number; leave out rows without one."""
    key = key_of(resource)
    if not key or key not in rows.columns:
        return rows
    wanted = []
    for i, text in enumerate(rows.columns[key]):
        if text and text not in seen:
            seen.add(text)
            wanted.append(i)
    return chosen_rows(rows, wanted)


def chosen_rows(rows: Rows, wanted: list[int]) -> Rows:
    """Return the rows with these indices, with what they were read from."""
    found = some_rows(rows, wanted)
    new = {i: k for k, i in enumerate(wanted)}
    found.misread = {
        (new[i], name): why for (i, name), why in rows.misread.items() if i in new
    }
    found.theirs = {
        name: Theirs(one.name, [one.values[i] for i in wanted])
        for name, one in rows.theirs.items()
    }
    return found


def _picked(rows: Rows, names: tuple[str, ...]) -> list[str]:
    if len(names) == 1:
        return rows.columns[names[0]]
    parts = zip(*(rows.columns[name] for name in names), strict=True)
    return [" ".join(filter(None, (text.strip() for text in row))) for row in parts]


def _as_ours(rows: Rows, source: Source, where: str, clock: LocalTime) -> Rows:
    own = own_columns(list(rows.columns), source, where)
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
            mine, bad = turned(column, judged, values, clock)
            made.columns[column.name] = mine
            named = " + ".join(chosen[column.name])
            made.theirs[column.name] = Theirs(named, values)
            made.misread.update({(i, column.name): why for i, why in bad.items()})
    _place(made, rows, judged, where)
    in_part = {*source.take, *source.rules}
    whole = {n: names for n, names in chosen.items() if n not in in_part}
    _extra(made, rows, {name for names in whole.values() for name in names}, source)
    return _roads(made, rows) if source.resource == "roads" else made


def _place(made: Rows, rows: Rows, source: Source, where: str) -> None:
    """Fill what the shape says; turn coordinates of another system into degrees."""
    for name in SHAPED.get(source.resource, ()):
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
    """Keep their further columns: under their names, or told apart from ours."""
    known = {*made.columns, *ours(source.resource)}
    for name, values in rows.columns.items():
        if name not in used and not name.startswith("shape."):
            clash = name in made.columns or spoken(name) in known
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
    if len(parts) == 1:
        return parts[0]
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
