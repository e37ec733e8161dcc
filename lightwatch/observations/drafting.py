"""Drafting a mapping: what the files say is written down, with how sure it is.

What they cannot say (how dates are ordered, in which units and coordinate system the
numbers are, when the register was opened) stands as a question for a person.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from lightwatch.observations.likeness import SURE, code_for
from lightwatch.observations.looking import Column, Seen, look_at
from lightwatch.observations.matching import Match, Matched, match
from lightwatch.observations.source import CHOICES, GEO, codes_of, ours, question_of
from lightwatch.observations.tables import spoken
from lightwatch.words import Field, resources

_CODE_ACCEPTED = 0.6
_MOST_CODES = 60
_SLASHED = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-]\d{2,4}(?:[ T,].*)?", re.ASCII)
_ISO = re.compile(r"\d{4}(-\d{2}(-\d{2}([ T].*)?)?)?", re.ASCII)

_ASKS = {
    "dates": "are the dates of the files day-first, month-first or serial?",
    "length": "in which unit are lengths?",
    "speed": "in which unit are speeds on roads?",
    "weather": "metric: deg C, mm, km/h; us: deg F, inches, mph",
    "crs": "which coordinate system are x and y in? such as EPSG:4326",
}

_HEAD = """\
# A draft by lightwatch map-columns: how the files in {folder}
# are to be read. It was drafted by looking at them: please read it and correct it.
#   - A line whose value is "?" is a question that only you can answer; nothing is
#     loaded while one is left.
#   - "sure", "likely" and "guess" say how well a name or a code of yours is known.
#   - Left of an = is the name that Lightwatch uses, right of it the one in your file;
#     in a table of codes it is "yours" = "ours", and "" means blank.
#   - What is not named here is kept with its row and comes out again on export.
# Then: lightwatch load DIR --mapping THIS_FILE
"""


_PARTS = """\
# If the parts stand in columns of another file, such as that of the lights, delete the
# two lines above and say for each kind of part:
# [[components]]
# file = "lights.csv"
# columns = { light_id = "...", model = "...", installed_on = "..." }
# constants = { kind = "lamp" }"""


@dataclass(frozen=True)
class Draft:
    """A drafted mapping: its text, and how many questions it leaves."""

    text: str
    questions: int
    matched: dict[str, Matched]


def _quoted(text: str) -> str:
    """Write a TOML basic string; JSON's is one, but for a DEL that it leaves bare."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    return "".join(one if one.isprintable() else " " for one in text)


def _sureness(found: Match) -> str:
    if found.name >= SURE:
        return "sure" if found.likeness >= SURE else "likely"
    return "likely" if found.likeness >= SURE else "guess: look at it"


def _examples(column: Column) -> str:
    shown = [text for text, _ in column.filled.most_common(2)]
    return f", such as {' or '.join(shown)}"[:60] if shown else ""


def _asked(matched: Matched) -> Iterator[tuple[str, str, Column]]:
    """Yield the questions that a table's columns raise: question, ours, theirs."""
    for name, found in matched.columns.items():
        question = question_of(ours(matched.resource.name)[name])
        own = spoken(found.column.name) == name and not found.time
        if question == "dates":
            if not all(map(_ISO.fullmatch, found.column.filled)):
                yield question, name, found.column
        elif question and not own:
            yield question, name, found.column


def _says(question: str, columns: Sequence[Column]) -> str:
    """Say what the values themselves show, for a person to confirm."""
    values: Counter[str] = Counter()
    for column in columns:
        values += column.filled
    if question == "dates":
        return _dates_say(columns, values)
    numbers = [
        float(text.replace(",", "."))
        for text in values
        if re.fullmatch(r"-?\d+([.,]\d+)?", text, re.ASCII)
    ]
    names = ", ".join(dict.fromkeys(column.name for column in columns))
    span = f"{min(numbers):g} to {max(numbers):g}" if numbers else "no numbers"
    if question == "crs":
        degrees = numbers and min(numbers) >= -180 and max(numbers) <= 180
        like = "degrees" if degrees else "metres or feet of a projected system"
        return f"{names}: {span}, which looks like {like}"
    return f"{names}: {span}"


def _dates_say(columns: Sequence[Column], values: Counter[str]) -> str:
    if all(column.has_serials for column in columns):
        return "they look like a spreadsheet's serial dates"
    pairs = [found for text in values if (found := _SLASHED.fullmatch(text))]
    first = max((int(found[1]) for found in pairs), default=0)
    second = max((int(found[2]) for found in pairs), default=0)
    example = f"such as {pairs[0][0]}; " if pairs else ""
    if first > 12 and second > 12:
        return f"{example}some can only be day-first, others only month-first"
    if first > 12:
        return f"{example}the first number goes up to {first}: it can only be day-first"
    if second > 12:
        return f"{example}the second goes up to {second}: it can only be month-first"
    return f"{example}no value settles it"


def _question(name: str, says: str) -> str:
    choices = f"  # {' | '.join(CHOICES[name])}" if name in CHOICES else ""
    return f"# {_ASKS[name]}\n#   {_comment(says)}\n{name} = {_quoted('?')}{choices}"


def _style(columns: Sequence[Column]) -> str:
    return "serial" if all(column.has_serials for column in columns) else "written"


def _scale(columns: Sequence[Column]) -> str:
    return "degrees" if "degrees" in _says("crs", columns) else "projected"


def _general(tables: dict[str, Matched]) -> tuple[list[str], dict[str, list[str]]]:
    """Ask once what all tables raise alike; what one raises apart is asked there."""
    raised: dict[tuple[str, str], dict[str, list[Column]]] = {}
    for name, matched in tables.items():
        mine: dict[str, list[Column]] = {}
        for question, _, column in _asked(matched):
            mine.setdefault(question, []).append(column)
        if matched.seen.shape and matched.seen.crs is None:
            mine.setdefault("crs", [])
        for question, columns in mine.items():
            kind = _kind(question, columns, matched)
            raised.setdefault((question, kind), {})[name] = columns
    general: list[str] = []
    apart: dict[str, list[str]] = {}
    for question in _ASKS:
        kinds = {kind: found for (q, kind), found in raised.items() if q == question}
        usual = max(kinds, key=lambda kind: (kind != "shape", len(kinds[kind])),
                    default=None)  # fmt: skip
        for kind, found in kinds.items():
            if kind == usual and kind != "shape":
                every = [column for columns in found.values() for column in columns]
                general.append(_question(question, _says(question, every)))
                continue
            for name, columns in found.items():
                says = "the file states none, or one that its numbers are not in"
                says = says if kind == "shape" else _says(question, columns)
                apart.setdefault(name, []).append(_question(question, says))
    return general, apart


def _kind(question: str, columns: list[Column], matched: Matched) -> str:
    if question == "dates":
        return _style(columns)
    if question == "crs":
        return "shape" if matched.seen.shape else _scale(columns)
    return ""


def _written(seen: Seen) -> Iterator[str]:
    yield f"file = {_quoted(seen.file)}"
    if Path(seen.file).suffix.lower() in GEO:
        yield f"layer = {_quoted(seen.sheet or '')}"
        if seen.shape:
            system = seen.crs or "no coordinate system"
            yield f"# shapes: {seen.shape}, {_comment(system)}"
    elif seen.sheet:
        yield f"sheet = {_quoted(seen.sheet)}"
    if seen.encoding:
        note = "" if seen.encoding == "utf-8" else "  # guess: are its accents right?"
        yield f"encoding = {_quoted(seen.encoding)}{note}"
    if seen.delimiter:
        yield f"delimiter = {_quoted(seen.delimiter)}"
    if seen.header_row and seen.header_row > 1:
        yield f"header_row = {seen.header_row}  # the line that names the columns"


def _has_commas(matched: Matched) -> bool:
    numbers = [
        found.column
        for name, found in matched.columns.items()
        if ours(matched.resource.name)[name].type in ("number", "integer")
    ]
    with_comma = [column for column in numbers if column.has_commas]
    return bool(with_comma) and not any(
        "." in text for column in numbers for text in column.filled
    )


def _columns(matched: Matched) -> Iterator[str]:
    name = matched.resource.name
    yield f"\n[{name}.columns]"
    given = {"longitude", "latitude"} if matched.seen.shape == "Point" else set()
    for mine in ours(name).values():
        found = matched.columns.get(mine.name)
        if found:
            theirs = _quoted(found.column.name)
            if found.time:
                theirs = f"[{theirs}, {_quoted(found.time.name)}]"
            example = _comment(_examples(found.column))
            yield f"{mine.name} = {theirs}  # {_sureness(found)}{example}"
        elif mine.required and mine.name not in given:
            yield f'{mine.name} = "?"  # needed, and no column looks like it'
    used = {m.column.name for m in matched.columns.values()} | {
        m.time.name for m in matched.columns.values() if m.time
    }
    left = [one.name for one in matched.seen.columns if one.name not in used]
    if left:
        yield f"# kept under their own names: {_comment(', '.join(left))}"


def _codes(matched: Matched) -> Iterator[str]:
    for name, found in matched.columns.items():
        mine = ours(matched.resource.name)[name]
        allowed = codes_of(matched.resource.name, mine)
        if not allowed:
            continue
        common = found.column.filled.most_common(_MOST_CODES)
        foreign = [(text, n) for text, n in common if text not in allowed]
        if not foreign:
            continue
        yield f"\n[{matched.resource.name}.codes.{name}]"
        yield f"# ours: {', '.join(sorted(allowed))}"
        yield from (_code(text, n, mine, allowed) for text, n in foreign)


def _code(text: str, rows: int, mine: Field, allowed: frozenset[str]) -> str:
    code, likeness = code_for(text, allowed)
    many = f"{rows:,} row{'' if rows == 1 else 's'}"
    if likeness < _CODE_ACCEPTED:
        if mine.allowed is None:
            return (
                f"{_quoted(text)} = {_quoted(text)}  # not known, kept as it is; {many}"
            )
        return f'{_quoted(text)} = "?"  # not known; {many} (delete: rows are rejected)'
    sure = "sure" if likeness >= SURE else "guess: look at it"
    return f"{_quoted(text)} = {_quoted(code)}  # {sure}; {many}"


def _table(matched: Matched, apart: list[str]) -> Iterator[str]:
    name = matched.resource.name
    yield f"\n\n[{name}]  # {matched.seen.rows:,} rows looked at"
    yield from _written(matched.seen)
    if _has_commas(matched):
        yield "decimal_comma = true  # numbers are written 5,6"
    yield from apart
    yield from _columns(matched)
    yield from _codes(matched)


def draft(folder: Path) -> Draft:
    """Look at a folder of files and draft how they are to be read.

    Raises
    ------
    NotUnderstood
        It is not a folder.
    """
    tables, unread = look_at(folder)
    matched = match(tables)
    general, apart = _general(matched)
    place = [
        f"name = {_quoted(folder.resolve().name)}  # guess: the folder's name",
        'timezone = "?"  # as in the IANA list, such as Europe/Vienna',
        'opened_on = "?"  # YYYY-MM-DD: since when every repair is on record',
        'created = "?"  # when the files were exported: YYYY-MM-DD or YYYY-MM-DDThh:mm',
        "# depot = { longitude = 15.63, latitude = 47.315 }  # where crews start",
    ]
    lines = [_HEAD.format(folder=_comment(folder.name)), "[place]", *place]
    lines += ["\n[reading]  # of all files, unless one says otherwise", *general]
    for one in matched.values():
        lines += _table(one, apart.get(one.resource.name, []))
    lines += _left(tables, matched, unread)
    text = "\n".join(lines) + "\n"
    open_lines = (line.split("#")[0] for line in text.splitlines())
    questions = sum(line.rstrip().endswith('= "?"') for line in open_lines)
    return Draft(text, questions, matched)


def _left(
    tables: list[Seen], matched: dict[str, Matched], unread: list[str]
) -> Iterator[str]:
    used = [one.seen for one in matched.values()]
    for resource in resources().values():
        if resource.required and resource.name not in matched:
            yield f'\n[{resource.name}]\nfile = "?"  # needed: which file is it?'
            if resource.name == "components":
                yield _PARTS
    for seen in tables:
        if seen not in used:
            part = f", {seen.sheet}" if seen.sheet else ""
            named = ", ".join(column.name for column in seen.columns)
            yield f"\n# not taken for any: {_comment(f'{seen.file}{part} ({named})')}"
    yield from (f"\n# not read: {_comment(one)}" for one in unread)
