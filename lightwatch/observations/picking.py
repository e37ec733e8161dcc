"""Which rows of a table of theirs count, and how many rows of ours each one makes.

Some rows are left out (``only``), a cell that names several poles makes one row of each
(``split``), a pole with several lanterns makes one light of each (``lanterns``), and a
row that only repeats a number is passed over (``distinct``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lightwatch.errors import NotUnderstood
from lightwatch.observations.tables import Rows
from lightwatch.observations.texts import means_blank

CONDITIONS = ("is", "is_not", "contains", "begins", "filled")


@dataclass(frozen=True)
class Only:
    """A condition on one column of theirs; every condition of a table must hold."""

    column: str
    how: str
    texts: tuple[str, ...] = ()
    """In small letters; one of them must match (none, of ``is_not``)."""
    filled: bool = True

    def holds(self, text: str) -> bool:
        """Tell whether a cell meets it."""
        plain = text.strip().casefold()
        match self.how:
            case "filled":
                return means_blank(plain) is not self.filled
            case "is":
                return plain in self.texts
            case "is_not":
                return plain not in self.texts
            case "begins":
                return plain.startswith(self.texts)
            case _:
                return any(sought in plain for sought in self.texts)


@dataclass(frozen=True)
class Lanterns:
    """How a row of the register says that its pole carries several lanterns."""

    count: str = ""
    """Column of how many."""
    sets: tuple[Mapping[str, str], ...] = ()
    """Of the second lantern, the third …: our column to theirs."""
    split: str = ""
    """Sign between two lamps in the cells of ``technology``."""


def read_only(where: str, given: Any) -> tuple[Only, ...]:
    """Read an ``only`` table: their column, and what its cells must be.

    Raises
    ------
    NotUnderstood
        A line is not understood.
    """
    if not isinstance(given, dict):
        raise NotUnderstood(f"{where} is not a table")
    found = []
    for column, said in given.items():
        table = said if isinstance(said, dict) else {"is": said}
        for how, value in table.items():
            texts = [value] if isinstance(value, str) else value
            if how == "filled" and isinstance(value, bool):
                found.append(Only(column, how, (), value))
            elif how in CONDITIONS[:-1] and _are_texts(texts):
                plain = tuple(text.strip().casefold() for text in texts)
                found.append(Only(column, how, plain))
            else:
                raise NotUnderstood(
                    f"{where}: {column!r} is not understood (expected a text, a list "
                    'of texts, or { contains = ["…"] }, is_not, begins, filled = true)'
                )
    return tuple(found)


def _are_texts(given: Any) -> bool:
    return (isinstance(given, list) and bool(given)
            and all(isinstance(text, str) for text in given))  # fmt: skip


def read_lanterns(where: str, given: Any, known: Mapping[str, Any]) -> Lanterns:
    """Read a ``lanterns`` table.

    Raises
    ------
    NotUnderstood
        It is not understood.
    """
    expected = (
        f'{where} is not understood (expected count = "their column", split = "/", or '
        'sets = [ { technology = "their column", watts = "their column" } ])'
    )
    if not isinstance(given, dict) or not given.keys() <= {"count", "sets", "split"}:
        raise NotUnderstood(expected)
    sets = given.get("sets", [])
    plain = [given.get("count", ""), given.get("split", "")]
    if not isinstance(sets, list) or not all(isinstance(one, str) for one in plain):
        raise NotUnderstood(expected)
    for one in sets:
        if not isinstance(one, dict) or not one or not one.keys() <= known.keys() or (
            not all(isinstance(text, str) for text in one.values())
        ):  # fmt: skip
            raise NotUnderstood(expected)
    return Lanterns(plain[0], tuple(sets), plain[1])


def some_rows(rows: Rows, wanted: Sequence[int]) -> Rows:
    """Return the rows with these indices, in their order; one may stand twice."""
    bad = {k: rows.misshapen[i] for k, i in enumerate(wanted) if i in rows.misshapen}
    columns = {
        name: [values[i] for i in wanted] for name, values in rows.columns.items()
    }
    return Rows([rows.lines[i] for i in wanted], columns, bad)


def those_that_count(rows: Rows, only: Sequence[Only]) -> Rows:
    """Leave out the rows that do not meet every condition."""
    if not only:
        return rows
    holds = [
        {text for text in set(rows.columns[one.column]) if one.holds(text)}
        for one in only
    ]
    tested = [
        (rows.columns[one.column], good) for one, good in zip(only, holds, strict=True)
    ]
    wanted = [
        i
        for i in range(len(rows.lines))
        if all(values[i] in good for values, good in tested)
    ]
    return rows if len(wanted) == len(rows.lines) else some_rows(rows, wanted)


def one_each(rows: Rows, column: str, signs: Sequence[str]) -> tuple[Rows, list[int]]:
    """Make a row for each of the numbers in a cell; say which of its row's it is.

    Returns
    -------
    Rows, list[int]
        The rows, and of each 1 if it is the first of its row, 2 the second …
    """
    between = re.compile("|".join(map(re.escape, signs)))
    wanted, cells, nth = [], [], []
    for i, text in enumerate(rows.columns[column]):
        parts = list(dict.fromkeys(filter(None, map(str.strip, between.split(text)))))
        for k, part in enumerate(parts or [text], start=1):
            wanted.append(i)
            cells.append(part)
            nth.append(k)
    found = some_rows(rows, wanted)
    found.columns[column] = cells
    return found, nth


def by_lantern(
    rows: Rows, lanterns: Lanterns, technology: str | None
) -> list[tuple[Rows, Mapping[str, str]]]:
    """Return the rows of first lanterns, of second ones …, and whose columns to take.

    Parameters
    ----------
    rows
        Theirs.
    lanterns
        How they say it.
    technology
        Their column of lamps, whose cells may name two.
    """
    made: list[tuple[Rows, Mapping[str, str]]] = []
    every = range(len(rows.lines))
    most = 1 + len(lanterns.sets)
    counts = _counts(rows, lanterns)
    lamps = _lamps(rows, lanterns, technology)
    most = max([most, *counts, *map(len, lamps)], default=1)
    for k in range(most):
        columns = lanterns.sets[k - 1] if 0 < k <= len(lanterns.sets) else {}
        names = list(columns.values())
        wanted = [
            i
            for i in every
            if k == 0
            or counts[i] > k
            or len(lamps[i]) > k
            or any(_is_there(rows.columns[name][i]) for name in names)
        ]
        if not wanted and k:
            continue
        part = some_rows(rows, wanted)
        if lanterns.split and technology and not columns:
            part.columns[technology] = [lamps[i][min(k, len(lamps[i]) - 1)]
                                        for i in wanted]  # fmt: skip
        made.append((part, columns))
    return made


def _is_there(text: str) -> bool:
    return not means_blank(text.strip()) and text.strip() not in ("0", "0.0")


def _counts(rows: Rows, lanterns: Lanterns) -> list[int]:
    def read(text: str) -> int:
        try:
            return min(int(float(text)), MOST_LANTERNS)
        except (ValueError, OverflowError):
            return 1

    if not lanterns.count:
        return [1] * len(rows.lines)
    return [read(text) for text in rows.columns[lanterns.count]]


MOST_LANTERNS = 24
"""Lanterns on one pole; a higher number in a file is taken for a mistake."""


def _lamps(rows: Rows, lanterns: Lanterns, technology: str | None) -> list[list[str]]:
    if not lanterns.split or not technology:
        return [[""]] * len(rows.lines)
    cells = rows.columns[technology]
    return [
        [part.strip() for part in text.split(lanterns.split) if part.strip()] or [text]
        for text in cells
    ]
