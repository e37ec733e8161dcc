"""A look at a folder of somebody's files: which tables there are, what they hold."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import islice
from pathlib import Path
from statistics import median

from lightwatch.errors import NotUnderstood
from lightwatch.observations.guarding import lies_inside
from lightwatch.observations.sheets import (
    header_at,
    read_sheet,
    sheet_header,
    sheet_names,
)
from lightwatch.observations.source import GEO, SHEETS, TEXTS
from lightwatch.observations.tables import Rows, names_of, read_table
from lightwatch.observations.texts import means_blank

MOST_ROWS = 200_000
"""Rows looked at in one table."""

_TOP = 20
_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?", re.ASCII)
_DAY = re.compile(
    r"(\d{4}([./-])\d{1,2}\2\d{1,2}|\d{1,2}([./-])\d{1,2}\3(\d{4}|\d{2}))([ T,].*)?|"
    r"(19|20)\d\d(0[1-9]|1[0-2])(0[1-9]|[12]\d|3[01])(\d{4}|\d{6})?|"
    r"\d{1,2}[ -][A-Za-z]{3}[ -]\d{4}.*|[A-Z][a-z]{2,8}\.? \d{1,2}, \d{4}.*|"
    r"(6[3-9]|[7-9]\d|1[0-9]\d|20\d)\d{10}|(6[3-9]|[7-9]\d|1[0-9]\d|20\d)\d{7}",
    re.ASCII,
)
_PARTIAL = re.compile(r"\d{4}(-\d{2})?|\d{1,2}[./-]\d{4}", re.ASCII)
_CLOCK = re.compile(r"\d{1,2}:\d{2}(:\d{2})?( ?[ap]\.?m\.?)?", re.ASCII | re.I)
_WITH_NUMBER = re.compile(r"\d+([.,]\d+)?( ?\D.*)?|.*\b\d+ ?[wW]\b.*", re.ASCII)
_COMPANIONS = (".cpg", ".dbf", ".prj", ".shx", ".qpj", ".sbn", ".sbx", ".xml")
_SERIALS = (15_000, 75_000)
"""Serial dates of 1941 to 2105 [days]."""


@dataclass(frozen=True)
class Column:
    """One column of theirs: its name and how often each value stands in it."""

    name: str
    values: Counter[str]

    @cached_property
    def filled(self) -> Counter[str]:
        """Its values that say something."""
        return Counter(
            {text: n for text, n in self.values.items() if not means_blank(text)}
        )

    @cached_property
    def common(self) -> list[tuple[str, int]]:
        """Its values that say something, the most frequent first."""
        return self.filled.most_common()

    @cached_property
    def rows(self) -> int:
        """How many rows it has."""
        return sum(self.values.values())

    @cached_property
    def distinct(self) -> float:
        """Share of its values that stand for the first time."""
        return len(self.filled) / max(sum(self.filled.values()), 1)

    @cached_property
    def full(self) -> float:
        """Share of its rows that say something."""
        return sum(self.filled.values()) / max(self.rows, 1)

    @cached_property
    def starting_numbers(self) -> float:
        """Share of its values that begin with a number, or have one before a W."""
        return self.share(_WITH_NUMBER)

    @property
    def is_unique(self) -> bool:
        """Whether no value stands twice, and none is blank."""
        return bool(self.filled) and self.full == 1.0 and self.distinct == 1.0

    def share(self, pattern: re.Pattern[str]) -> float:
        """Return the share of the rows with a value in which it has this form."""
        rows = sum(self.filled.values())
        alike = sum(n for text, n in self.filled.items() if pattern.fullmatch(text))
        return alike / rows if rows else 0.0

    @cached_property
    def numbers(self) -> float:
        """Share of its values that are numbers."""
        return self.share(_NUMBER)

    @cached_property
    def days(self) -> float:
        """Share of its values that are dates as people write them."""
        return self.share(_DAY)

    @cached_property
    def partial_days(self) -> float:
        """Share of its values that are dates, months or years."""
        return self.share(_PARTIAL) + self.days

    @cached_property
    def clocks(self) -> float:
        """Share of its values that are a time of day alone."""
        return self.share(_CLOCK)

    @cached_property
    def has_serials(self) -> bool:
        """Whether it holds numbers that may be a spreadsheet's days."""
        low, high = _SERIALS
        return self.numbers > 0.9 and all(
            low < float(text.replace(",", ".")) < high for text in self.filled
        )

    @property
    def has_commas(self) -> bool:
        """Whether its numbers have a decimal comma, and none a point."""
        return any("," in text for text in self.filled) and not any(
            "." in text for text in self.filled
        )


@dataclass(frozen=True)
class Seen:
    """One table that was found: where it is, how it is written, what is in it."""

    file: str
    sheet: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    header_row: int | None = None
    shape: str | None = None
    """Kind of its shapes, such as Point; None: it has none."""
    crs: str | None = None
    columns: tuple[Column, ...] = ()
    rows: int = 0
    notes: tuple[str, ...] = field(default=())

    @property
    def name(self) -> str:
        """What to call it by: the sheet or layer, else the file."""
        return self.sheet or Path(self.file).stem


def _columns(rows: Rows) -> tuple[Column, ...]:
    return tuple(
        Column(name, Counter(text.strip() for text in values))
        for name, values in rows.columns.items()
        if not name.startswith("shape.")
    )


def encoding_of(data: bytes) -> str:
    """Tell how a text is written: utf-8 if it can be, else what a PC in Europe writes.

    Examples
    --------
    >>> encoding_of("Straße".encode()), encoding_of("Straße".encode("latin-1"))
    ('utf-8', 'cp1252')
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    for encoding in ("utf-8", "cp1252"):
        try:
            data.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding
    return "latin-1"


def _delimiter(lines: Sequence[str]) -> str:
    def cells(delimiter: str) -> float:
        return median(len(row) for row in csv.reader(lines, delimiter=delimiter))

    return max((",", ";", "\t"), key=cells)


def _text(path: Path, inside: str) -> Iterator[Seen]:
    data = path.read_bytes()
    encoding = encoding_of(data)
    try:
        text = data.decode(encoding).removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        raise NotUnderstood(f"is not {encoding} text ({error.reason})") from None
    top = list(islice(text.splitlines(), _TOP))
    if not any(top):
        return
    delimiter = _delimiter([line for line in top if line])
    parsed = [[x.strip() for x in next(csv.reader([line], delimiter=delimiter), [])]
              for line in top]  # fmt: skip
    header_row = header_at(parsed)
    rows = next(
        read_table(
            path,
            names_of,
            encoding=encoding,
            delimiter=delimiter,
            header_row=header_row,
            at_once=MOST_ROWS,
        )
    )
    yield Seen(
        file=inside,
        encoding=encoding,
        delimiter=delimiter,
        header_row=header_row,
        columns=_columns(rows),
        rows=len(rows.lines),
    )


def _sheets(path: Path, inside: str) -> Iterator[Seen]:
    for sheet in sheet_names(path):
        header_row = sheet_header(path, sheet)
        rows = next(
            read_sheet(
                path, names_of, sheet=sheet, header_row=header_row, at_once=MOST_ROWS
            )
        )
        if rows.lines:
            yield Seen(
                file=inside,
                sheet=sheet,
                header_row=header_row,
                columns=_columns(rows),
                rows=len(rows.lines),
            )


def _shapes(path: Path, inside: str) -> Iterator[Seen]:
    from lightwatch.observations.places import look

    for layer, crs, kind, rows in look(path):
        yield Seen(
            file=inside,
            sheet=layer,
            shape=kind or None,
            crs=crs,
            columns=_columns(rows),
            rows=len(rows.lines),
        )


_READERS = {
    **dict.fromkeys(TEXTS, _text),
    **dict.fromkeys(SHEETS, _sheets),
    **dict.fromkeys(GEO, _shapes),
}


def look_at(folder: Path) -> tuple[list[Seen], list[str]]:
    """Find the tables in a folder.

    Returns
    -------
    list[Seen], list[str]
        The tables, and for each file that is none why.

    Raises
    ------
    NotUnderstood
        It is not a folder.
    """
    if not folder.is_dir():
        raise NotUnderstood(f"{folder} is not a folder (expected one with the files)")
    found: list[Seen] = []
    left: list[str] = []
    for path in sorted(folder.rglob("*")):
        inside = path.relative_to(folder).as_posix()
        reader = _READERS.get(path.suffix.lower())
        if not path.is_file() or path.name.startswith((".", "~$", "datapackage.json")):
            continue
        if not lies_inside(folder, path):
            left.append(f"{inside}: is a link (expected a file in the folder)")
            continue
        if path.suffix.lower() in _COMPANIONS and path.with_suffix(".shp").exists():
            continue
        if reader is None:
            left.append(f"{inside}: of a kind that is not read")
            continue
        try:
            found += reader(path, inside)
        except NotUnderstood as error:
            left.append(f"{inside}: {' '.join(str(error).split())}")
    return found, left
