"""What our files and columns are, a line each, in the exchange format's words."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from lightwatch.observations.source import ours
from lightwatch.words import descriptor

_ROADS = {
    "road_id": "identifier of the segment",
    "name": "name of the street",
    "class": "arterial, collector or residential",
    "speed_kmh": "speed limit",
    "one_way": "true or false",
}


def explained(name: str) -> Iterator[str]:
    """Yield comment lines on one of our files and each of its columns.

    Examples
    --------
    >>> next(line for line in explained("lights") if "pole_id" in line)
    '#   pole_id: number on the pole'
    """
    rows = {one["name"]: one for one in descriptor()["resources"]}
    row = rows[name]
    yield from ("# " + line for line in wrap(f"[{name}] {row['description']}", 84))
    said = {
        field["name"]: field.get("description", "")
        for field in row.get("schema", {}).get("fields", ())
    } or _ROADS
    for column in ours(name).values():
        if column.name in said:
            star = " *" if column.required else ""
            allowed = (
                f" ({', '.join(sorted(column.allowed))})" if column.allowed else ""
            )
            text = f"{column.name}{star}: {said[column.name]}{allowed}"
            yield from ("#   " + line for line in
                        wrap(text, 84, subsequent_indent="    "))  # fmt: skip
