"""A saved mapping: which file, column, code and unit of theirs is which of ours.

A person may write it or correct a drafted one; it is TOML. What only a person can know
stands in a draft as ``"?"``, and while one is left nothing is loaded.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any

from lightwatch.errors import NotUnderstood
from lightwatch.observations.roads import COLUMNS as ROAD_COLUMNS
from lightwatch.observations.tables import spoken
from lightwatch.words import Field, resources

QUESTION = "?"
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

_OPEN = re.compile(r'[=\[,]\s*"\?"')
_SETTINGS = (
    "file", "sheet", "layer", "encoding", "delimiter", "decimal_comma", "header_row",
    "columns", "codes", "constants", *CHOICES, "crs",
)  # fmt: skip
_PLACE = ("name", "timezone", "opened_on", "created", "depot")


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

    def is_ours(self, column: str) -> bool:
        """Tell whether a column has our name in the file, and so our unit."""
        theirs = self.columns.get(column, ())
        return len(theirs) == 1 and spoken(theirs[0]) == column

    @property
    def is_geo(self) -> bool:
        """Whether the file holds shapes."""
        return Path(self.file).suffix.lower() in GEO


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
        return {one.name: one for one in resources()[resource].fields}
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


def read_mapping(path: Path) -> SavedMapping:
    """Read a mapping and check it against our format.

    Raises
    ------
    NotUnderstood
        It is not TOML, a question is still open, or a setting is not one of a
        mapping's or leads nowhere.
    """
    try:
        text = path.read_text("utf-8-sig")
        loaded = tomllib.loads(text)
    except FileNotFoundError:
        raise NotUnderstood(
            f"{path} is not there (lightwatch map-columns DIR drafts a mapping)"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise NotUnderstood(f"{path} cannot be read ({error})") from None
    except tomllib.TOMLDecodeError as error:
        raise NotUnderstood(f"{path} is not TOML: {error}") from None
    _no_question(path, text, loaded)
    place = _table(path, "place", loaded.pop("place", None), _PLACE)
    reading = _reading(path, "reading", loaded.pop("reading", {}))
    _only(path, "the file", loaded, resources())
    sources = {
        name: tuple(
            _source(path, name, one, reading)
            for one in (tables if isinstance(tables, list) else [tables])
        )
        for name, tables in loaded.items()
    }
    for name in ("name", "timezone", "opened_on", "created"):
        if not isinstance(place.get(name), str) or not place[name]:
            raise NotUnderstood(f'{path}, [place]: {name} is missing (a text in "")')
    described = {name: value for name, value in place.items() if name != "created"}
    return SavedMapping(path, described, place["created"], sources)


def _open_questions(loaded: Any, inside: str = "") -> Iterable[str]:
    if isinstance(loaded, dict):
        for name, value in loaded.items():
            yield from _open_questions(value, f"{inside}.{name}" if inside else name)
    elif isinstance(loaded, list):
        for value in loaded:
            yield from _open_questions(value, inside)
    elif loaded == QUESTION:
        yield inside


def _no_question(path: Path, text: str, loaded: dict[str, Any]) -> None:
    left = list(_open_questions(loaded))
    if not left:
        return
    lines = enumerate(text.splitlines(), start=1)
    line = next((i for i, row in lines if _OPEN.search(row)), 0)
    more = f" (open too: {', '.join(left[1:])})" if left[1:] else ""
    setting = left[0].rsplit(".", 1)[-1]
    choices = f" (expected {' or '.join(CHOICES[setting])})" if (
        setting in CHOICES) else ""  # fmt: skip
    raise NotUnderstood(
        f'{path}, line {line}: {left[0]} is still "{QUESTION}"{choices}; only you can '
        f"know: answer it, then load again{more}"
    )


def _only(path: Path, where: str, given: Iterable[str], known: Collection[str]) -> None:
    for name in given:
        if name not in known:
            like = get_close_matches(name, known, 1)
            meant = f"; did you mean {like[0]!r}?" if like else ""
            raise NotUnderstood(
                f"{path}, {where}: {name!r} is not known (expected "
                f"{', '.join(known)}){meant}"
            )


def _table(path: Path, where: str, given: Any, known: Collection[str]) -> Any:
    if not isinstance(given, dict):
        raise NotUnderstood(f"{path}: the table [{where}] is missing or not a table")
    _only(path, f"[{where}]", given, known)
    return given


def _reading(path: Path, where: str, given: Any) -> dict[str, str]:
    found = _table(path, where, given, (*CHOICES, "crs"))
    for name, value in found.items():
        expected = CHOICES.get(name)
        if not isinstance(value, str) or (expected and value not in expected):
            raise NotUnderstood(
                f"{path}, [{where}]: {name} = {value!r} is not understood (expected "
                f"{' or '.join(expected) if expected else 'such as EPSG:4326'})"
            )
    return dict(found)


def _source(path: Path, name: str, given: Any, reading: dict[str, str]) -> Source:
    found = _table(path, name, given, _SETTINGS)
    known = ours(name)
    columns = _table(path, f"{name}.columns", found.get("columns", {}), known)
    codes = _table(path, f"{name}.codes", found.get("codes", {}), known)
    constants = _table(path, f"{name}.constants", found.get("constants", {}), known)
    own = {key: found[key] for key in (*CHOICES, "crs") if key in found}
    _check_settings(path, name, found)
    for column, listed in codes.items():
        _check_codes(path, f"[{name}.codes.{column}]", listed, known[column])
    own = _reading(path, name, own)
    if Path(found["file"]).suffix.lower() in GEO:
        reading = {key: value for key, value in reading.items() if key != "crs"}
    source = Source(
        resource=name,
        file=found["file"],
        sheet=found.get("sheet", found.get("layer")),
        encoding=found.get("encoding", "utf-8"),
        delimiter=found.get("delimiter"),
        decimal_comma=found.get("decimal_comma", False),
        header_row=found.get("header_row"),
        columns={key: _several(path, name, key, one) for key, one in columns.items()},
        codes=codes,
        constants={key: str(value) for key, value in constants.items()},
        reading={**reading, **own},
    )
    _must_say(path, source)
    return source


_SAID = {str: 'a text in ""', bool: "true or false", int: "a whole number"}
_TYPES = {"decimal_comma": bool, "header_row": int} | dict.fromkeys(
    ("file", "sheet", "layer", "encoding", "delimiter"), str
)


def _check_settings(path: Path, name: str, found: Mapping[str, Any]) -> None:
    for key, kind in _TYPES.items():
        if key in found and type(found[key]) is not kind:
            raise NotUnderstood(
                f"{path}, [{name}]: {key} is not understood (expected {_SAID[kind]})"
            )
    if not found.get("file"):
        raise NotUnderstood(f"{path}, [{name}]: file is missing (which file is it?)")
    if found.get("header_row", 1) < 1:
        raise NotUnderstood(f"{path}, [{name}]: header_row counts from 1")


def _several(path: Path, name: str, column: str, given: Any) -> tuple[str, ...]:
    names = [given] if isinstance(given, str) else given
    if isinstance(names, list) and names and all(isinstance(x, str) for x in names):
        return tuple(names)
    raise NotUnderstood(
        f"{path}, [{name}.columns]: {column} is not understood (expected the name of "
        "their column, or a list of names)"
    )


def _check_codes(path: Path, where: str, listed: Any, column: Field) -> None:
    if not isinstance(listed, dict):
        raise NotUnderstood(f'{path}: {where} is not a table of "theirs" = "ours"')
    for theirs, mine in listed.items():
        known = column.allowed
        if not isinstance(mine, str) or (known and mine and mine not in known):
            expected = ", ".join(sorted(known or ())) or "a text"
            raise NotUnderstood(
                f"{path}, {where}: {theirs!r} = {mine!r}, which is no code of "
                f'{column.name} (expected {expected}, or "" for blank)'
            )


def _must_say(path: Path, source: Source) -> None:
    """Refuse a number of theirs whose unit nobody has said."""
    for name, theirs in source.columns.items():
        question = MEASURED.get(name)
        if not question or source.is_ours(name) or question in source.reading:
            continue
        expected = " or ".join(CHOICES.get(question, ("such as EPSG:4326",)))
        raise NotUnderstood(
            f"{path}, [{source.resource}]: {name} is read from {theirs[0]!r}, but "
            f"{question} is not said (expected {question} = {expected})"
        )
