"""Tables as people send them: rows of text files, as columns of text."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

from lightwatch.errors import Conflict, NotUnderstood
from lightwatch.limits import CELL_BYTES, COLUMNS

_BREAK = re.compile(r"\r\n|\n|\r")
_DELIMITERS = (",", ";", "\t")

csv.field_size_limit(CELL_BYTES)
_LONGEST_HEADER = 4_096


@dataclass(frozen=True)
class Theirs:
    """What a column of ours was read from: its name and its values in the file."""

    name: str
    values: list[str]


@dataclass
class Rows:
    """Some rows of a file, as columns of text; ``lines`` says where each starts."""

    lines: list[int]
    columns: dict[str, list[str]]
    misshapen: dict[int, str] = field(default_factory=dict)
    """Index to what is wrong with the number of the row's cells."""
    misread: dict[tuple[int, str], str] = field(default_factory=dict)
    """Index and column to why the value could not be turned into ours."""
    theirs: dict[str, Theirs] = field(default_factory=dict)
    """Column to what it was read from, where a mapping renamed or turned it."""
    _own: set[str] = field(default_factory=set)

    def put(
        self, column: str, index: int, value: str, given: str, further: str = ""
    ) -> None:
        """Put another value in a cell; what was given stays in a further column."""
        if column not in self._own:  # the list may be shared with ``theirs``
            self._own.add(column)
            self.columns[column] = list(self.columns[column])
        self.columns[column][index] = value
        further = further or f"{column} as given"
        kept = self.columns.get(further) or [""] * len(self.lines)
        kept[index] = given
        self.columns[further] = kept


Header = Callable[[list[str]], list[str]]
"""Given the cells of a header row, the names of the columns; refuses a bad one."""


def spoken(name: str) -> str:
    """Return a column's name without what people write differently.

    Examples
    --------
    >>> spoken("Light_ID"), spoken(" light id "), spoken("Light-Id")
    ('light_id', 'light_id', 'light_id')
    """
    return re.sub(r"[\s_\-]+", "_", name.strip().casefold())


def names_of(cells: Sequence[str]) -> list[str]:
    """Return the names in a header row; a column without one is called by its place."""
    return [cell.strip() or f"column {i}" for i, cell in enumerate(cells, start=1)]


def within(cells: list[str], path: Path) -> list[str]:
    """Return the cells of a header; refuse more columns than a table has.

    Raises
    ------
    NotUnderstood
        There are too many.
    """
    if len(cells) > COLUMNS:
        raise NotUnderstood(
            f"{path} has {len(cells):,} columns (expected at most {COLUMNS:,})"
        )
    return cells


def sniffed(line: str, known: frozenset[str]) -> str:
    """Return the delimiter of a header line: comma, semicolon or tab.

    The one that cuts it into the most names that are known; of equals the most cells.
    """

    def cut(delimiter: str) -> tuple[int, int]:
        cells = next(csv.reader([line], delimiter=delimiter), [])
        return sum(spoken(cell) in known for cell in cells), len(cells)

    return max(_DELIMITERS, key=cut)


def read_table(
    path: Path,
    header: Header,
    *,
    encoding: str = "utf-8",
    delimiter: str | None = None,
    known: frozenset[str] = frozenset(),
    header_row: int = 1,
    at_once: int | None = None,
) -> Iterator[Rows]:
    """Yield a text file's rows, so many at once, or all together.

    Parameters
    ----------
    path
        The file.
    header
        Names its columns.
    encoding
        Of its text; a byte-order mark is skipped.
    delimiter
        Between its cells; None: told from the header line.
    known
        Names of columns by which the delimiter is told.
    header_row
        The line of the header, from 1.
    at_once
        How many rows at once.

    Raises
    ------
    NotUnderstood
        The file is not text in this encoding, or not a table.
    """
    plain = encoding.lower().replace("_", "-") in ("utf-8", "utf8")
    try:
        with path.open(encoding="utf-8-sig" if plain else encoding, newline="") as file:
            if delimiter is None:
                delimiter = sniffed(_line(file, header_row), known)
                file.seek(0)
            for _ in range(header_row - 1):
                file.readline()
            reader = csv.reader(file, delimiter=delimiter, strict=True)
            names = header(within(next(reader, []), path))
            yield from _batches(reader, names, header_row - 1, at_once)
    except UnicodeDecodeError as error:
        raise NotUnderstood(_not_text(path, encoding, error)) from None
    except LookupError:
        raise NotUnderstood(
            f"{path}: encoding {encoding!r} is unknown (expected utf-8, cp1252, …)"
        ) from None
    except csv.Error as error:
        line = reader.line_num + header_row - 1
        raise NotUnderstood(f"{path}, line {line}: not a table ({error})") from None
    except NotUnderstood:
        raise
    except (OSError, TypeError, ValueError) as error:
        raise NotUnderstood(f"{path} cannot be read ({error})") from None


def _line(file: TextIO, row: int) -> str:
    for _ in range(row - 1):
        file.readline()
    return file.readline()


def _not_text(path: Path, encoding: str, error: UnicodeDecodeError) -> str:
    data = path.read_bytes()
    where = ""
    try:
        data.decode(encoding)
    except UnicodeDecodeError as whole:
        where = f", line {data.count(bytes([10]), 0, whole.start) + 1}"
    return (
        f"{path}{where}: is not {encoding} text ({error.reason}); say what it is, "
        'such as "encoding": "cp1252", in datapackage.json or the mapping'
    )


def _batches(
    reader: Any, header: list[str], before: int, at_once: int | None
) -> Iterator[Rows]:
    start, first = reader.line_num + 1, True
    while True:
        rows = list(islice(reader, at_once))
        if not rows and not first:
            return
        first = False
        lines = _lines(rows, start + before, reader.line_num + before)
        start = reader.line_num + 1
        if not all(rows):
            lines = [line for line, row in zip(lines, rows, strict=True) if row]
            rows = [row for row in rows if row]
        yield rows_of(header, lines, rows)


_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")
_NUMBER = re.compile(r"[-+]?[0-9]+([.,][0-9]+)?")


def harmless(value: Any) -> Any:
    """Return a cell that no spreadsheet runs (OWASP, CSV injection).

    A plain number stays as it is.

    Examples
    --------
    >>> harmless("=1+1")
    "'=1+1"
    >>> harmless("S100")
    'S100'
    >>> harmless("-91.5")
    '-91.5'
    """
    risky = isinstance(value, str) and value.lstrip(" ").startswith(_RISKY)
    return f"'{value}" if risky and not _NUMBER.fullmatch(value) else value


def refuse_other(path: Path, header: Sequence[str]) -> None:
    """Refuse to write over a file that is there and holds something else.

    Raises
    ------
    Conflict
        Its first line is not the header of what was to be written.
    """
    if not path.is_file():
        return
    with path.open(encoding="utf-8", errors="replace", newline="") as file:
        first = file.readline(_LONGEST_HEADER)
    if first and next(csv.reader([first]), []) != list(header):
        raise Conflict(
            f"{path} is there already and holds something else; it was left as it is "
            "(name another file)"
        )


class _Table:
    """Lines that end in a newline; a cell with any line break in it is quoted."""

    def __init__(self, file: TextIO) -> None:
        self.file = file

    def write(self, line: str) -> int:
        return self.file.write(line.removesuffix("\r\n") + "\n")


def table_writer(file: TextIO) -> Any:
    """Return a writer of rows to a file that was opened with no translation."""
    return csv.writer(_Table(file))


def _lines(rows: list[list[str]], first: int, last: int) -> list[int]:
    """Return the line on which each row starts; a quoted cell may hold several."""
    if last - first + 1 == len(rows):
        return list(range(first, last + 1))
    lines = []
    for row in rows:
        lines.append(first)
        first += 1 + sum(len(_BREAK.findall(cell)) for cell in row)
    return lines


def _squared(
    rows: list[list[str]], width: int
) -> tuple[list[list[str]], dict[int, str]]:
    """Cut or fill rows to the header's width; tell which were not."""
    if set(map(len, rows)) <= {width}:
        return rows, {}
    bad = {
        i: f"has {len(row)} cells, the header {width}"
        for i, row in enumerate(rows)
        if len(row) != width
    }
    return [(row + [""] * width)[:width] for row in rows], bad


def rows_of(header: list[str], lines: list[int], rows: list[list[str]]) -> Rows:
    """Return rows of cells as columns under a header."""
    squared, bad = _squared(rows, len(header))
    columns = zip(*squared, strict=True) if squared else [()] * len(header)
    named = dict(zip(header, map(list, columns), strict=True))
    return Rows(lines, named, bad)
