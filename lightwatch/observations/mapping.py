"""A saved mapping: which file, column, code and unit of theirs is which of ours.

A person may write it or correct a drafted one; it is TOML. What only a person can know
stands in a draft as ``"?"``, and while one is left nothing is loaded. All that is wrong
is told at once.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from lightwatch.errors import NotUnderstood
from lightwatch.observations.picking import read_lanterns, read_only
from lightwatch.observations.source import (
    CHOICES,
    GEO,
    MEASURED,
    SavedMapping,
    Source,
    ours,
)
from lightwatch.observations.texts import by_column, read_rules, read_take, read_trim
from lightwatch.words import Field, resources

QUESTION = "?"
"""Stands in a draft for what only a person can know."""

_OPEN = re.compile(r'[=\[,]\s*"\?"')
_SETTINGS = (
    "file", "sheet", "layer", "encoding", "delimiter", "decimal_comma", "header_row",
    "columns", "codes", "constants", "only", "take", "trim", "rules", "split",
    "lanterns", "distinct", "tags", "within_m", "reports_within_days", *CHOICES, "crs",
)  # fmt: skip
_PLACE = ("name", "timezone", "opened_on", "created", "depot")


@dataclass
class Findings:
    """What is open and what is wrong in a mapping, gathered to be told at once."""

    questions: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    @contextmanager
    def gathered(self) -> Iterator[None]:
        """Keep a refusal for later."""
        try:
            yield
        except NotUnderstood as error:
            self.problems.append(str(error))


def read_mapping(path: Path) -> SavedMapping:
    """Read a mapping and check it against our format.

    Raises
    ------
    NotUnderstood
        It is not TOML, a question is still open, or a setting is not one of a
        mapping's or leads nowhere. All that is open or wrong is told, a line each.
    """
    saved, found = examined(path)
    if found.questions or found.problems:
        raise NotUnderstood("\n".join([*found.questions, *found.problems]))
    return saved


def examined(path: Path) -> tuple[SavedMapping, Findings]:
    """Read a mapping as far as it goes, and gather what is open or wrong in it.

    Raises
    ------
    NotUnderstood
        There is none, or it is not TOML.
    """
    text, loaded = _loaded(path)
    found = Findings()
    left = list(_open_questions(loaded))
    if left:
        found.questions.append(_still_open(path, text, left))
    said = _answered(loaded)
    place: dict[str, Any] = {}
    reading: dict[str, str] = {}
    with found.gathered():
        place = _table(path, "place", said.pop("place", None), _PLACE)
    with found.gathered():
        reading = _reading(path, "reading", said.pop("reading", {}))
    with found.gathered():
        _only_known(path, "the file", said, resources())
    sources = {}
    for name in [name for name in said if name in resources()]:
        tables = said[name] if isinstance(said[name], list) else [said[name]]
        made = [_source(path, name, one, reading, left, found) for one in tables]
        sources[name] = tuple(one for one in made if one)
    for name in ("name", "timezone", "opened_on", "created"):
        given = place.get(name)
        if f"place.{name}" not in left and not (isinstance(given, str) and given):
            found.problems.append(f'{path}, [place]: {name} is missing (a text in "")')
    described = {name: value for name, value in place.items() if name != "created"}
    created = str(place.get("created", ""))
    kept = {name: several for name, several in sources.items() if several}
    return SavedMapping(path, described, created, kept), found


def _loaded(path: Path) -> tuple[str, dict[str, Any]]:
    try:
        text = path.read_text("utf-8-sig")
        return text, tomllib.loads(text)
    except FileNotFoundError:
        raise NotUnderstood(
            f"{path} is not there (lightwatch map-columns DIR drafts a mapping)"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise NotUnderstood(f"{path} cannot be read ({error})") from None
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise NotUnderstood(f"{path} is not TOML: {error}") from None


def open_lines(path: Path) -> Iterator[str]:
    """Yield each line of a mapping that is still a question, with its number."""
    section = ""
    for i, line in enumerate(path.read_text("utf-8-sig").splitlines(), start=1):
        if line.startswith("["):
            section = line.split("#")[0].strip()
        if _OPEN.search(line.split("#")[0]):
            yield f"{path}, line {i}: {section} {line.strip()}"


def _open_questions(loaded: Any, inside: str = "") -> Iterable[str]:
    if isinstance(loaded, dict):
        for name, value in loaded.items():
            yield from _open_questions(value, f"{inside}.{name}" if inside else name)
    elif isinstance(loaded, list):
        for value in loaded:
            yield from _open_questions(value, inside)
    elif loaded == QUESTION:
        yield inside


def _answered(loaded: Any) -> Any:
    """Return a mapping without its open questions."""
    if isinstance(loaded, dict):
        kept = {name: _answered(one) for name, one in loaded.items()}
        return {name: one for name, one in kept.items() if one != QUESTION}
    if isinstance(loaded, list):
        return [one for one in map(_answered, loaded) if one != QUESTION]
    return loaded


def _still_open(path: Path, text: str, left: list[str]) -> str:
    lines = enumerate(text.splitlines(), start=1)
    line = next((i for i, row in lines if _OPEN.search(row.split("#")[0])), 0)
    more = f" (open too: {', '.join(left[1:])})" if left[1:] else ""
    setting = left[0].rsplit(".", 1)[-1]
    choices = f" (expected {' or '.join(CHOICES[setting])})" if (
        setting in CHOICES) else ""  # fmt: skip
    return (
        f'{path}, line {line}: {left[0]} is still "{QUESTION}"{choices}; only you can '
        f"know: answer it, then load again{more}"
    )


def _only_known(
    path: Path, where: str, given: Iterable[str], known: Collection[str]
) -> None:
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
    _only_known(path, f"[{where}]", given, known)
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


def _source(
    path: Path,
    name: str,
    given: Any,
    reading: dict[str, str],
    left: list[str],
    found: Findings,
) -> Source | None:
    """Read one table of a mapping; None: it says no file, or is beyond reading."""
    parts: dict[str, Any] = {}
    before = len(found.problems)
    with found.gathered():
        said = _table(path, name, given, _SETTINGS)
        if "file" not in said and f"{name}.file" in left:
            return None
        _check_settings(path, name, said)
        parts = dict(said)
    if not parts:
        return None
    known = ours(name)
    for part, read in _PARTS.items():
        with found.gathered():
            listed = parts.get(part, {})
            where = f"{path}, [{name}.{part}]"
            if part in _BY_COLUMN:
                listed = _table(path, f"{name}.{part}", listed, known)
            parts[part] = read(where, listed, known)
    with found.gathered():
        own = {key: parts[key] for key in (*CHOICES, "crs") if key in parts}
        if Path(parts["file"]).suffix.lower() in GEO:
            reading = {key: value for key, value in reading.items() if key != "crs"}
        reading = {**reading, **_reading(path, name, own)}
    if len(found.problems) > before:
        return None
    source = _made(name, parts, reading)
    asked = {one.rsplit(".", 1)[-1] for one in left}
    with found.gathered():
        _must_say(path, source, asked)
    return source


def _made(name: str, parts: Mapping[str, Any], reading: dict[str, str]) -> Source:
    plain = ("encoding", "delimiter", "decimal_comma", "header_row", "distinct",
             "within_m", "reports_within_days", *_PARTS)  # fmt: skip
    return Source(
        resource=name,
        file=parts["file"],
        sheet=parts.get("sheet", parts.get("layer")),
        reading=reading,
        tags=tuple(parts.get("tags", ())),
        **{key: parts[key] for key in plain if key in parts},
    )


_SAID = {
    str: 'a text in ""', bool: "true or false", int: "a whole number",
    float: "a number", list: "a list of column names",
}  # fmt: skip
_TYPES = (
    {"decimal_comma": bool, "header_row": int, "distinct": bool, "tags": list}
    | {"within_m": float, "reports_within_days": float}
    | dict.fromkeys(("file", "sheet", "layer", "encoding", "delimiter"), str)
)


def _check_settings(path: Path, name: str, found: Mapping[str, Any]) -> None:
    for key, kind in _TYPES.items():
        fits = (int, float) if kind is float else (kind,)
        if key in found and type(found[key]) not in fits:
            raise NotUnderstood(
                f"{path}, [{name}]: {key} is not understood (expected {_SAID[kind]})"
            )
    if not found.get("file"):
        raise NotUnderstood(f"{path}, [{name}]: file is missing (which file is it?)")
    if found.get("header_row", 1) < 1:
        raise NotUnderstood(f"{path}, [{name}]: header_row counts from 1")
    if found.get("reports_within_days", 0) < 0:
        raise NotUnderstood(f"{path}, [{name}]: reports_within_days counts from 0")


Known = Mapping[str, Field]


def _columns(where: str, given: Any, known: Known) -> dict[str, tuple[str, ...]]:
    def names(column: str, said: Any) -> tuple[str, ...]:
        listed = [said] if isinstance(said, str) else said
        if isinstance(listed, list) and listed and (
            all(isinstance(x, str) for x in listed)
        ):  # fmt: skip
            return tuple(listed)
        raise NotUnderstood(
            f"{where}: {column} is not understood (expected the name of their column, "
            "or a list of names)"
        )

    return {column: names(column, said) for column, said in given.items()}


def _codes(where: str, given: Any, known: Known) -> dict[str, dict[str, str]]:
    for column, listed in given.items():
        at = f"{where.removesuffix(']')}.{column}]"
        if not isinstance(listed, dict):
            raise NotUnderstood(f'{at} is not a table of "theirs" = "ours"')
        allowed = known[column].allowed
        for theirs, mine in listed.items():
            if not isinstance(mine, str) or (allowed and mine and mine not in allowed):
                expected = ", ".join(sorted(allowed or ())) or "a text"
                raise NotUnderstood(
                    f"{at}: {theirs!r} = {mine!r}, which is no code of {column} "
                    f'(expected {expected}, or "" for blank)'
                )
    return dict(given)


def _split(where: str, given: Any, known: Known) -> dict[str, tuple[str, ...]]:
    found = {}
    for column, said in given.items():
        signs = [said] if isinstance(said, str) else said
        if not isinstance(signs, list) or not signs or not all(
            isinstance(sign, str) and sign for sign in signs
        ):  # fmt: skip
            raise NotUnderstood(
                f"{where}: {column} is not understood (expected the sign between two "
                'numbers, such as ",")'
            )
        found[column] = tuple(signs)
    if len(found) > 1:
        raise NotUnderstood(f"{where}: only one column may name several")
    return found


def _rules(where: str, given: Any, known: Known) -> dict[str, Any]:
    at = where.removesuffix("]")
    return {
        column: read_rules(f"{at}.{column}]", said, known[column].allowed)
        for column, said in given.items()
    }


def _constants(where: str, given: Any, known: Known) -> dict[str, str]:
    return {key: str(value) for key, value in given.items()}


_PARTS: dict[str, Any] = {
    "columns": _columns,
    "codes": _codes,
    "constants": _constants,
    "only": lambda where, given, known: read_only(where, given),
    "take": lambda where, given, known: by_column(read_take, where, given),
    "trim": lambda where, given, known: by_column(read_trim, where, given),
    "rules": _rules,
    "split": _split,
    "lanterns": lambda where, given, known: (
        read_lanterns(where, given, known) if given else None
    ),
}
_BY_COLUMN = {"columns", "codes", "constants", "take", "trim", "rules", "split"}


def _must_say(path: Path, source: Source, asked: set[str]) -> None:
    """Refuse a number of theirs whose unit nobody has said."""
    for name, theirs in source.columns.items():
        question = MEASURED.get(name)
        if not question or source.is_ours(name) or question in source.reading:
            continue
        if question in asked:
            continue
        expected = " or ".join(CHOICES.get(question, ("such as EPSG:4326",)))
        raise NotUnderstood(
            f"{path}, [{source.resource}]: {name} is read from {theirs[0]!r}, but "
            f"{question} is not said (expected {question} = {expected})"
        )
