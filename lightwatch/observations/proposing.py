"""One table of a draft: its columns, its codes, and what its cells call for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path

from lightwatch.observations.ended import codes_of_endings, rules_of_endings
from lightwatch.observations.likeness import (
    SURE,
    code_for,
    column_likeness,
    vocabulary,
    words_of,
)
from lightwatch.observations.looking import Column, Seen
from lightwatch.observations.matching import NEARLY, Match, Matched
from lightwatch.observations.numbering import several_in_a_cell, shared, trim_between
from lightwatch.observations.source import GEO, codes_of, ours
from lightwatch.observations.tomltext import comment, key, quoted
from lightwatch.words import Field

_CODE_ACCEPTED = 0.6
_MOST_CODES = 60
_FREE_TEXTS = 25
"""Different texts from which a column is read by rules and not text by text."""

_OF_LIGHTS = ("light", "lamp", "lantern", "leucht", "licht", "eclairage", "éclairage",
              "alumbrado", "luminari", "lumin", "farola")  # fmt: skip
"""Parts of words by which requests about street lights are known among others."""

_USUALLY = {"symptom": "other", "cause": "unknown"}
"""What a text that no rule knows is given, where we have a code for it."""


def sureness(found: Match) -> str:
    """Say how sure a column is."""
    if found.name >= SURE:
        return "sure" if found.likeness >= SURE else "likely"
    return "likely" if found.likeness >= SURE else "guess: look at it"


def written(seen: Seen) -> Iterator[str]:
    """Yield the lines that say where a table is and how it is written."""
    yield f"file = {quoted(seen.file)}"
    if Path(seen.file).suffix.lower() in GEO:
        yield f"layer = {quoted(seen.sheet or '')}"
        if seen.shape:
            system = seen.crs or "no coordinate system"
            yield f"# shapes: {seen.shape}, {comment(system)}"
    elif seen.sheet:
        yield f"sheet = {quoted(seen.sheet)}"
    if seen.encoding:
        note = "" if seen.encoding == "utf-8" else "  # guess: are its accents right?"
        yield f"encoding = {quoted(seen.encoding)}{note}"
    if seen.delimiter:
        yield f"delimiter = {quoted(seen.delimiter)}"
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


def _examples(column: Column) -> str:
    shown = [text for text, _ in column.filled.most_common(2)]
    return f", such as {' or '.join(shown)}"[:60] if shown else ""


def _repeats(column: Column) -> str:
    rows = column.rows - len(column.filled)
    if not rows:
        return ""
    sign = (
        "nearly every" if column.distinct > NEARLY and column.full > NEARLY else "not"
    )
    return f"; CHECK: {rows:,} rows are blank or repeat a number ({sign} row its own)"


def _columns(matched: Matched) -> Iterator[str]:
    name = matched.resource.name
    keys = matched.resource.key if len(matched.resource.key) == 1 else ()
    yield f"\n[{name}.columns]"
    given = {"longitude", "latitude"} if matched.seen.shape == "Point" else set()
    for mine in ours(name).values():
        found = matched.columns.get(mine.name)
        if found:
            theirs = quoted(found.column.name)
            if found.time:
                theirs = f"[{theirs}, {quoted(found.time.name)}]"
            example = comment(_examples(found.column))
            odd = _repeats(found.column) if mine.name in keys else ""
            yield f"{mine.name} = {theirs}  # {sureness(found)}{example}{odd}"
        elif mine.required and mine.name not in given and mine.name != "symptom":
            yield f'{mine.name} = "?"  # needed, and no column looks like it'
    used = {m.column.name for m in matched.columns.values()} | {
        m.time.name for m in matched.columns.values() if m.time
    }
    left = [one.name for one in matched.seen.columns if one.name not in used]
    if left:
        yield f"# kept under their own names: {comment(', '.join(left))}"
    if name == "reports" and "symptom" not in matched.columns:
        yield "\n[reports.constants]"
        yield 'symptom = "out"  # guess: no column says what was seen'


def _wanted(column: Column) -> list[str]:
    """Return the texts that are of street lights; [] if all are, or none."""
    codes = ours("reports")["symptom"].allowed or frozenset()

    def is_of_lights(text: str) -> bool:
        plain = text.casefold()
        return "traffic" not in plain and any(part in plain for part in _OF_LIGHTS)

    mine = [text for text in column.filled if is_of_lights(text)]
    also = [
        text
        for text in column.filled
        if text not in mine and code_for(text, codes)[1] >= _CODE_ACCEPTED
    ]
    return mine + also if mine and len(mine + also) < len(column.filled) else []


def _only_lights(column: Column, texts: list[str]) -> Iterator[str]:
    yield "\n[reports.only]  # requests of other kinds are left out"
    if len(texts) <= _MOST_CODES:
        listed = "\n".join(f"  {quoted(text)}," for text in texts)
        yield f"{key(column.name)} = [\n{listed}\n]"
    else:
        parts = [part for part in _OF_LIGHTS
                 if any(part in text.casefold() for text in texts)]  # fmt: skip
        listed = ", ".join(map(quoted, parts))
        yield f"{key(column.name)} = {{ contains = [{listed}] }}"


def _codes(matched: Matched) -> Iterator[str]:
    name = matched.resource.name
    for mine_name, found in matched.columns.items():
        mine, column = ours(name)[mine_name], found.column
        if mine_name == "symptom" and name == "reports":
            texts = _wanted(column)
            if texts:
                yield from _only_lights(column, texts)
                counts = {text: column.filled[text] for text in texts}
                column = Column(column.name, Counter(counts))
        allowed = codes_of(name, mine)
        if not allowed:
            continue
        foreign = [
            (text, n) for text, n in column.filled.most_common() if text not in allowed
        ]
        if len(foreign) > _FREE_TEXTS:
            yield from _rules(name, mine, foreign, allowed)
        elif foreign:
            yield f"\n[{name}.codes.{mine_name}]"
            yield f"# ours: {', '.join(sorted(allowed))}"
            if mine_name == "closed_as":
                yield from codes_of_endings(foreign)
                continue
            yield from (_code(text, n, mine, allowed) for text, n in foreign)


def _code(text: str, rows: int, mine: Field, allowed: frozenset[str]) -> str:
    code, likeness = code_for(text, allowed)
    many = f"{rows:,} row{'' if rows == 1 else 's'}"
    if likeness < _CODE_ACCEPTED:
        if mine.allowed is None:
            return (
                f"{quoted(text)} = {quoted(text)}  # not known, kept as it is; {many}"
            )
        if mine.name in _USUALLY:
            usual = quoted(_USUALLY[mine.name])
            return f"{quoted(text)} = {usual}  # guess: not known; {many}"
        if not mine.required:
            return f'{quoted(text)} = ""  # not known, left blank: look at it; {many}'
        return f'{quoted(text)} = "?"  # not known; {many} (delete: rows are rejected)'
    sure = "sure" if likeness >= SURE else "guess: look at it"
    others = sorted(one for one in allowed if one != code and (
        code_for(text, [one])[1] >= 0.75))  # fmt: skip
    two = f"; it may be {' or '.join(others)} too" if others else ""
    return f"{quoted(text)} = {quoted(code)}  # {sure}; {many}{two}"


def _rules(
    name: str, mine: Field, texts: list[tuple[str, int]], allowed: frozenset[str]
) -> Iterator[str]:
    """Read many texts by the words in them, the longest words first."""
    if mine.name == "closed_as":
        yield f"\n[{name}.rules.{mine.name}]  # {len(texts):,} texts; first wins"
        yield f"# ours: {', '.join(sorted(allowed))}"
        yield from rules_of_endings(texts)
        return
    rows: Counter[tuple[str, str]] = Counter()
    unknown: Counter[str] = Counter()
    for text, n in texts:
        found = _word_in(text, allowed)
        if found:
            rows[found] += n
        else:
            unknown[text] += n
    yield f"\n[{name}.rules.{mine.name}]  # {len(texts):,} texts, by the words in them"
    yield f"# ours: {', '.join(sorted(allowed))}; the first rule that matches counts"
    if unknown:
        some = comment(", ".join(text for text, _ in unknown.most_common(5)))
        usual = _USUALLY.get(mine.name, None if mine.required else "")
        yield f"# no rule knows {sum(unknown.values()):,} rows, such as {some}"
        if usual is None:
            yield '# otherwise = "…"  # without it these rows are rejected'
        else:
            yield f"otherwise = {quoted(usual)}"
    yield f"[{name}.rules.{mine.name}.has_word]"
    ordered = sorted(rows.items(), key=lambda one: (-len(one[0][0]), one[0]))
    said: set[str] = set()
    for (word, code), n in ordered:
        if word not in said:
            said.add(word)
            yield f"{quoted(word)} = {quoted(code)}  # guess: look at it; {n:,} rows"


def _word_in(text: str, allowed: frozenset[str]) -> tuple[str, str] | None:
    """Return the longest word of the trade in a text, and its code."""
    plain = f" {' '.join(text.casefold().split())} "
    found = [
        (word, code)
        for code in allowed
        for word in {*vocabulary("codes").get(code, ()), code}
        if len(word) > 2 and f" {word} " in plain
    ]
    return max(found, key=lambda one: (len(one[0]), one)) if found else None


def _watts(matched: Matched) -> Iterator[str]:
    """Read numbers out of texts such as 286(LED)."""
    found = matched.columns.get("watts")
    if found and found.column.numbers < 1.0 and found.column.starting_numbers > 0.5:
        yield f"\n[{matched.resource.name}.take]  # a part of the cell, not all of it"
        yield 'watts = "number"'


def _second_sets(matched: Matched) -> Iterator[str]:
    """Propose a second lantern from columns that are numbered 2."""
    if matched.resource.name != "lights":
        return
    found = {}
    for mine in ("technology", "watts"):
        theirs = matched.columns.get(mine)
        for column in matched.seen.columns if theirs else ():
            second = {"2", "second"} & {*words_of(column.name)}
            if second and column.filled and column_likeness(column.name, mine) > 0.5:
                found[mine] = column.name
    if found:
        pairs = ", ".join(f"{mine} = {quoted(name)}" for mine, name in found.items())
        yield "\n# Is this a second lantern on the same pole? Then delete these two #,"
        yield "# and each lantern becomes a light of its own (12 and 12-2, on pole 12):"
        yield f"# [lights.lanterns]\n# sets = [ {{ {pairs} }} ]"


def _numbers_of_lights(
    matched: Matched, tables: Mapping[str, Matched]
) -> Iterator[str]:
    """Yield how their numbers of lights are made those of the register."""
    found = matched.columns.get("light_id")
    lights = tables.get("lights")
    if not found or not lights or matched.resource.name == "lights":
        return
    tags = [lights.columns[name].column for name in ("light_id", "pole_id")
            if name in lights.columns]  # fmt: skip
    tags += [lights.tag] if lights.tag else []
    ids = {text for column in tags for text in column.filled}
    texts = list(found.column.filled)
    name = matched.resource.name
    signs = several_in_a_cell(texts, ids)
    if signs:
        yield f"\n[{name}.split]  # several numbers in one cell: a row of each"
        yield f"light_id = [{', '.join(map(quoted, signs))}]"
    known = sum(text in ids for text in texts)
    if shared(texts, ids) > 0.5 and known < 0.5 * len(texts):
        trim = trim_between(texts, ids)
        if trim:
            yield f"\n[{name}.trim]  # so that numbers are those of the lights"
            yield f"light_id = {{ {trim} }}"


def _tag(matched: Matched) -> Iterator[str]:
    """Say by which column others name lights; one that is no pole's is a tag."""
    if matched.tag:
        yield f"# reports or repairs name lights by {comment(matched.tag.name)}"
        pole = matched.columns.get("pole_id")
        if not pole or pole.column.name != matched.tag.name:
            yield f"tags = [{quoted(matched.tag.name)}]"


def table(
    matched: Matched, apart: list[str], tables: Mapping[str, Matched]
) -> Iterator[str]:
    """Yield the lines of one table.

    Parameters
    ----------
    matched
        The table.
    apart
        Questions that it alone raises.
    tables
        All that were recognised, by our name.
    """
    name = matched.resource.name
    yield f"\n\n[{name}]  # {matched.seen.rows:,} rows looked at"
    yield from written(matched.seen)
    if _has_commas(matched):
        yield "decimal_comma = true  # numbers are written 5,6"
    yield from apart
    yield from _tag(matched)
    yield from _columns(matched)
    yield from _watts(matched)
    yield from _numbers_of_lights(matched, tables)
    yield from _codes(matched)
    yield from _second_sets(matched)
