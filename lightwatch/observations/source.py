"""Where rows of ours come from: one table of theirs, and how its cells are read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from lightwatch.observations.picking import Lanterns, Only
from lightwatch.observations.roads import COLUMNS as ROAD_COLUMNS
from lightwatch.observations.tables import spoken
from lightwatch.observations.texts import Rules, Trim
from lightwatch.words import Field, resources

GEO = (".gpkg", ".geojson", ".json", ".shp")
SHEETS = (".xlsx", ".xlsm")
TEXTS = (".csv", ".txt", ".tsv")

CHOICES = {
    "dates": (
        "day-first",
        "month-first",
        "iso",
        "spreadsheet-serial",
        "spreadsheet-serial-1904",
    ),
    "length": ("m", "ft", "km", "mi"),
    "speed": ("km/h", "mph"),
    "weather": ("metric", "us"),
}
"""How to read what people write in more than one way; ``crs`` is the fifth."""

DATED = ("date", "datetime")
PARTIAL = ("installed_on", "removed_date_code")
"""Columns of dates known to the day, month or year."""

MEASURED = {
    "length_m": "length",
    "speed_kmh": "speed",
    "tmin_c": "weather",
    "tmax_c": "weather",
    "rain_mm": "weather",
    "gust_kmh": "weather",
    "longitude": "crs",
    "latitude": "crs",
}
"""Column to the question whose answer its numbers need."""

_WHERE = (
    Field("longitude", "number", False, None, -180.0, 180.0),
    Field("latitude", "number", False, None, -90.0, 90.0),
)
"""Of repairs: not in the format, but by them a repair without a number is joined."""


@dataclass(frozen=True)
class Source:
    """One table of theirs that holds rows of one file of ours."""

    resource: str
    file: str
    sheet: str | None = None
    """Sheet of a workbook, or layer of a GeoPackage; None: the first."""
    encoding: str = "utf-8"
    delimiter: str | None = None
    decimal_comma: bool = False
    header_row: int | None = None
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Our column to theirs; several are joined by a space, as a date and a time."""
    codes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)
    reading: Mapping[str, str] = field(default_factory=dict)
    """Answers to ``dates``, ``length``, ``speed``, ``weather`` and ``crs``."""
    only: tuple[Only, ...] = ()
    take: Mapping[str, str] = field(default_factory=dict)
    trim: Mapping[str, Trim] = field(default_factory=dict)
    rules: Mapping[str, Rules] = field(default_factory=dict)
    split: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    lanterns: Lanterns | None = None
    distinct: bool = False
    tags: tuple[str, ...] = ()
    """Of lights: further columns of theirs by which others may name one."""
    within_m: float | None = None
    """How far from a light a place may lie to be joined to it [m]."""
    reports_within_days: float | None = None
    """Of repairs: how long before one the report may lie that it answers [days]."""

    def is_ours(self, column: str) -> bool:
        """Tell whether a column has our name in the file, and so our unit."""
        theirs = self.columns.get(column, ())
        return len(theirs) == 1 and spoken(theirs[0]) == column

    @property
    def is_geo(self) -> bool:
        """Whether the file holds shapes."""
        return Path(self.file).suffix.lower() in GEO

    @property
    def further(self) -> dict[str, str]:
        """Their columns that other settings than ``columns`` name, and which."""
        named = {one.column: "only" for one in self.only}
        named |= dict.fromkeys(self.tags, "tags")
        if self.lanterns:
            every = [self.lanterns.count, *(x for s in self.lanterns.sets
                                            for x in s.values())]  # fmt: skip
            named |= {name: "lanterns" for name in every if name}
        return named


@dataclass(frozen=True)
class SavedMapping:
    """A whole mapping: the place, and where each file's rows come from."""

    path: Path
    place: Mapping[str, Any]
    created: str
    sources: Mapping[str, tuple[Source, ...]]


@cache
def ours(resource: str) -> dict[str, Field]:
    """Return the columns of one of our files, those of roads included."""
    if resource != "roads":
        fields = resources()[resource].fields
        return {
            one.name: one
            for one in (*fields, *(_WHERE if resource == "repairs" else ()))
        }
    lists = {
        "class": frozenset({"arterial", "collector", "residential"}),
        "one_way": frozenset({"true", "false"}),
    }
    numbers = {"speed_kmh"}
    return {
        name: Field(
            name,
            "number" if name in numbers else "string",
            name == "road_id",
            lists.get(name),
            0.0 if name in numbers else None,
            None,
        )
        for name in ROAD_COLUMNS
        if name != "geometry"
    }


def question_of(column: Field) -> str | None:
    """Return the question whose answer a column needs to be read."""
    if column.type in DATED or column.name in PARTIAL:
        return "dates"
    return MEASURED.get(column.name)


@cache
def _usual() -> dict[tuple[str, str], frozenset[str]]:
    kinds = ours("models")["kind"].allowed or frozenset()
    technologies = ours("lights")["technology"].allowed or frozenset()
    return {
        ("repairs", "cause"): kinds
        | {
            "cable_fault", "line_fault", "supply", "knockdown", "vandalism", "theft",
            "programme", "customer", "none", "unknown",
        },
        ("models", "type"): technologies
        | {"thermal", "electronic", "long_life", "any", "steel"},
    }  # fmt: skip


def codes_of(resource: str, column: Field) -> frozenset[str] | None:
    """Return the values that we work with in a column; None: any."""
    return column.allowed or _usual().get((resource, column.name))
