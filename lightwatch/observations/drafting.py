"""Drafting a mapping: what the files say is written down, with how sure it is.

What they cannot say (how dates are ordered, in which units and coordinate system the
numbers are, when the register was opened) stands as a question for a person.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from lightwatch.observations.explaining import explained
from lightwatch.observations.likeness import column_likeness, words_of
from lightwatch.observations.looking import Column, Seen, look_at
from lightwatch.observations.matching import Matched, Named, match
from lightwatch.observations.proposing import sureness, table, written
from lightwatch.observations.settling import general, place_lines
from lightwatch.observations.tomltext import comment, key, quoted
from lightwatch.words import resources

_HEAD = """\
# A draft by lightwatch map-columns: how the files in {folder}
# are to be read. It was drafted by looking at them: please read it and correct it.
#   - A line whose value is "?" is a question that only you can answer; nothing is
#     loaded while one is left.
#   - "sure", "likely" and "guess" say how well a name or a code of yours is known.
#     "settled by the values" says that the values in the file can be read in one way.
#   - Left of an = is the name that Lightwatch uses, right of it the one in your file;
#     in a table of codes it is "yours" = "ours", and "" means blank.
#   - What is not named here is kept with its row and comes out again on export.
#   - A file that was not recognised stands at the end. To say what it is, write its
#     name into a section, such as   [reports]   file = "calls.csv"   and run
#         lightwatch map-columns DIR --again THIS_FILE
#     which drafts that section and keeps all that you wrote. Or at the first time:
#         lightwatch map-columns DIR --as calls.csv=reports
#     A section that you do not want is deleted, from its [name] to the next.
# Then: lightwatch load DIR --mapping THIS_FILE
"""

_PARTS = {"lamp": "lamp", "bulb": "lamp", "pole": "pole", "column": "pole",
          "mast": "pole", "photocell": "photocontrol", "ballast": "ballast",
          "driver": "driver", "fixture": "luminaire", "luminaire": "luminaire",
          "lantern": "luminaire", "head": "luminaire"}  # fmt: skip
"""Words in a column's name to the part whose date it holds."""

_USEFUL = ("lights", "circuits", "reports", "repairs", "roads", "components")
"""Files of ours whose columns are listed where one was not found."""


@dataclass(frozen=True)
class Draft:
    """A drafted mapping: its text, and what it leaves to a person."""

    text: str
    questions: int
    matched: dict[str, Matched]
    not_taken: tuple[str, ...] = ()
    """Files, and sheets or layers, that were not recognised."""


def draft(
    folder: Path,
    said: Named | None = None,
    kept: Mapping[str, str] | None = None,
) -> Draft:
    """Look at a folder of files and draft how they are to be read.

    Parameters
    ----------
    folder
        Where they are.
    said
        What a person says that tables are.
    kept
        Sections that a person has written, by name; they are taken over as they are.

    Raises
    ------
    NotUnderstood
        It is not a folder.
    """
    kept = kept or {}
    tables, unread = look_at(folder)
    matched = match(tables, said)
    fresh = {name: one for name, one in matched.items() if name not in kept}
    shared, apart = general(fresh)
    lines = [_HEAD.format(folder=comment(folder.name))]
    place = "\n".join(["[place]", *place_lines(folder, matched)])
    lines.append(kept.get("place", place))
    lines.append("\n" + kept.get("reading", "[reading]  # of all files, unless one "
                                 "says otherwise"))  # fmt: skip
    lines += _not_said(shared, kept.get("reading", ""))
    for one in matched.values():
        name = one.resource.name
        lines += ["", kept[name]] if name in kept else table(
            one, apart.get(name, []), matched)  # fmt: skip
    lines += ["\n" + text for name, text in kept.items()
              if name not in ("place", "reading", *matched)]  # fmt: skip
    lines += _proposed({**matched}, {*kept, *matched})
    left = [seen for seen in tables if not _is_used(seen, matched, kept)]
    lines += _left(left, unread, {*matched, *kept})
    text = "\n".join(lines) + "\n"
    open_lines = (line.split("#")[0] for line in text.splitlines())
    questions = sum(line.rstrip().endswith('= "?"') for line in open_lines)
    return Draft(text, questions, matched, tuple(map(_called, left)))


def _not_said(shared: list[str], reading: str) -> list[str]:
    """Leave out the questions that a person has answered."""
    answered = {line.split("=")[0].strip() for line in reading.splitlines()
                if "=" in line.split("#")[0]}  # fmt: skip
    last = (text.splitlines()[-1].split("=")[0].strip() for text in shared)
    return [text for text, name in zip(shared, last, strict=True)
            if name not in answered]  # fmt: skip


def _called(seen: Seen) -> str:
    return f"{seen.file}, {seen.sheet}" if seen.sheet else seen.file


def _is_used(
    seen: Seen, matched: Mapping[str, Matched], kept: Mapping[str, str]
) -> bool:
    return any(one.seen == seen for one in matched.values()) or any(
        f"file = {quoted(seen.file)}" in text for text in kept.values()
    )


def _proposed(matched: Mapping[str, Matched], there: Collection[str]) -> Iterator[str]:
    """Propose circuits and parts out of columns of the lights."""
    lights = matched.get("lights")
    if not lights:
        return
    feeds = lights.columns.get("circuit_id")
    if feeds and "circuits" not in there:
        yield "\n\n[circuits]  # out of the lights: one for each number in their column"
        yield from written(lights.seen)
        yield "distinct = true  # a number that stands twice is one circuit"
        yield "[circuits.columns]"
        yield f"circuit_id = {quoted(feeds.column.name)}  # {sureness(feeds)}"
    if "components" not in there and "light_id" in lights.columns:
        for column, kind in _dates_of_parts(lights):
            yield "\n\n[[components]]  # out of the lights: parts with their dates"
            yield from written(lights.seen)
            yield "[components.columns]"
            yield f"light_id = {quoted(lights.columns['light_id'].column.name)}"
            yield f"installed_on = {quoted(column.name)}"
            yield "[components.constants]"
            yield f"kind = {quoted(kind)}  # guess: which part was new on that date?"
            yield f"[components.only]\n{key(column.name)} = {{ filled = true }}"


def _dates_of_parts(lights: Matched) -> Iterator[tuple[Column, str]]:
    """Yield the columns that say when a part was put in, and which part."""
    used = {name: found.column.name for name, found in lights.columns.items()}
    seen: set[str] = set()
    for column in lights.seen.columns:
        is_date = column.partial_days > 0.8 or column.has_serials
        like = column_likeness(column.name, "installed_on")
        if not is_date or like < 0.6 or column.name in used.values():
            continue
        kinds = [_PARTS[word] for word in words_of(column.name) if word in _PARTS]
        kind = kinds[0] if kinds else "luminaire"
        if kind not in seen:
            seen.add(kind)
            yield column, kind


def _left(left: list[Seen], unread: list[str], there: Collection[str]) -> Iterator[str]:
    """Say which files were not taken, and what our files could be made of."""
    for resource in resources().values():
        if resource.required and resource.name not in there:
            yield f'\n[{resource.name}]\nfile = "?"  # needed: which file is it?'
    for seen in left:
        named = ", ".join(column.name for column in seen.columns)
        part = f", {seen.sheet}" if seen.sheet else ""
        yield f"\n# not taken for any: {comment(f'{seen.file}{part} ({named})')}"
        for column in seen.columns[:40]:
            shown = " | ".join(text for text, _ in column.filled.most_common(3))
            if shown:
                yield f"#     {comment(f'{column.name}: {shown}')}"[:88]
    yield from (f"\n# not read: {comment(one)}" for one in unread)
    lacking = [name for name in _USEFUL if name not in there]
    if left and lacking:
        yield "\n# What Lightwatch could use and was not found, in case one of these"
        yield "# files holds it. A * is needed; all other columns may be missing."
        for name in lacking:
            yield from explained(name)
