"""A draft made again: what a person has written in it stays as it is."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from lightwatch.errors import NotUnderstood
from lightwatch.observations.matching import Named
from lightwatch.words import resources

_HEADER = re.compile(r"^\[{1,2}([a-z_]+)[\].]", re.MULTILINE)


def sections(text: str) -> dict[str, str]:
    r"""Cut a mapping into its sections, each with the tables below its name.

    Examples
    --------
    >>> sections('[a]\nx = 1\n[a.b]\ny = 2\n[c]\n')
    {'a': '[a]\nx = 1\n[a.b]\ny = 2', 'c': '[c]'}
    """
    starts = list(_HEADER.finditer(text))
    found: dict[str, str] = {}
    for i, one in enumerate(starts):
        end = starts[i + 1].start() if i + 1 < len(starts) else len(text)
        part = text[one.start() : end]
        found[one[1]] = found.get(one[1], "") + part
    return {name: _without_tail(part) for name, part in found.items()}


def _without_tail(part: str) -> str:
    """Leave out what the draft says of other files below a section."""
    lines = part.rstrip().splitlines()
    while lines and (not lines[-1].strip() or lines[-1].startswith("#")):
        lines.pop()
    return "\n".join(lines)


def written_by_hand(path: Path) -> tuple[Named, dict[str, str]]:
    """Return what a person says that files are, and the sections to be kept.

    A section that names a file and no columns is to be drafted; all others are kept.

    Raises
    ------
    NotUnderstood
        The mapping cannot be read.
    """
    try:
        text = path.read_text("utf-8-sig")
        loaded = tomllib.loads(text)
    except (OSError, ValueError, RecursionError) as error:
        raise NotUnderstood(f"{path} cannot be read as a mapping ({error})") from None
    parts = sections(text)
    said: dict[tuple[str, str | None], str] = {}
    kept = {}
    for name, table in loaded.items():
        if name not in ("place", "reading", *resources()):
            raise NotUnderstood(
                f"{path}: [{name}] is not known (expected {', '.join(resources())})"
            )
        is_new = (isinstance(table, dict) and "columns" not in table
                  and name in resources())  # fmt: skip
        if is_new and isinstance(table.get("file"), str):
            if table["file"] != "?":
                said[table["file"], table.get("sheet", table.get("layer"))] = name
        else:
            kept[name] = parts[name]
    return said, kept


def as_said(options: list[str]) -> Named:
    """Read options such as ``calls.csv=reports`` or ``book.xlsx:Jobs=repairs``.

    Raises
    ------
    NotUnderstood
        One is written another way, or names none of our files.
    """
    said: dict[tuple[str, str | None], str] = {}
    for option in options:
        left, _, name = option.rpartition("=")
        if not left or name not in resources():
            raise NotUnderstood(
                f"--as {option!r} is not understood (expected FILE=KIND or "
                f"FILE:SHEET=KIND, KIND one of {', '.join(resources())})"
            )
        file, _, sheet = left.partition(":")
        said[file, sheet or None] = name
    return said
