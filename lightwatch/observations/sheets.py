"""Sheets of a workbook, as rows of text: dates as ISO, numbers without noise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import islice
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

from lightwatch.errors import NotUnderstood
from lightwatch.observations.dates import written
from lightwatch.observations.tables import Header, Rows, rows_of

_LOOKED_AT = 20


def text_of(value: Any) -> str:
    """Write a cell as text.

    Examples
    --------
    >>> text_of(0.1 + 0.2), text_of(12.0), text_of(datetime(2019, 4, 3, 7, 5))
    ('0.3', '12', '2019-04-03T07:05')
    """
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case float():
            whole = value.is_integer() and abs(value) < 1e15
            return str(int(value)) if whole else f"{value:.15g}"
        case datetime():
            return written(_to_second(value))
        case date() | time():
            return value.isoformat()
        case timedelta():
            return str(value)
        case _:
            return str(value).strip()


def _to_second(at: datetime) -> datetime:
    """Round the noise of a day's fraction away."""
    return (at + timedelta(microseconds=500_000)).replace(microsecond=0)


def header_at(rows: Sequence[Sequence[str]]) -> int:
    """Return the row of a header among a sheet's first rows, from 1.

    Titles stand above it and fill few cells: it is the first row that fills nearly as
    many cells as any, none of them a number.
    """
    filled = [sum(1 for cell in row if cell) for row in rows]
    most = max(filled, default=0)
    for i, (row, count) in enumerate(zip(rows, filled, strict=True), start=1):
        if count and count >= 0.7 * most and not any(map(_is_number, row)):
            return i
    return 1


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _opened(path: Path) -> Any:
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        return load_workbook(path, read_only=True, data_only=True)
    except (OSError, BadZipFile, InvalidFileException, KeyError, ValueError) as error:
        raise NotUnderstood(
            f"{path} cannot be read as a workbook ({error}); save it as .xlsx or .csv"
        ) from None


def sheet_names(path: Path) -> list[str]:
    """Return the names of a workbook's sheets."""
    book = _opened(path)
    try:
        return [sheet.title for sheet in book.worksheets]
    finally:
        book.close()


def sheet_header(path: Path, sheet: str) -> int:
    """Return the row of a sheet's header, from 1: see :func:`header_at`."""
    book = _opened(path)
    try:
        found = book[sheet]
        found.reset_dimensions()
        top = islice(found.iter_rows(values_only=True), _LOOKED_AT)
        return header_at([[text_of(cell) for cell in row] for row in top])
    finally:
        book.close()


def read_sheet(
    path: Path,
    header: Header,
    *,
    sheet: str | None = None,
    header_row: int | None = None,
    at_once: int | None = None,
) -> Iterator[Rows]:
    """Yield a sheet's rows, numbered as the sheet numbers them.

    Parameters
    ----------
    path
        The workbook.
    header
        Names its columns.
    sheet
        The sheet; None: the first.
    header_row
        The row of the header; None: see :func:`header_at`.
    at_once
        How many rows at once; None: all.

    Raises
    ------
    NotUnderstood
        It is no workbook, or has no such sheet.
    """
    book = _opened(path)
    try:
        names = [one.title for one in book.worksheets]
        if not names or (sheet is not None and sheet not in names):
            raise NotUnderstood(
                f"{path}: sheet {sheet!r} is not there (it has {', '.join(names)})"
            )
        found = book[sheet or names[0]]
        found.reset_dimensions()
        cells = ([text_of(x) for x in row] for row in found.iter_rows(values_only=True))
        yield from _batches(cells, header, header_row, at_once)
    finally:
        book.close()


def _batches(
    cells: Iterator[list[str]],
    header: Header,
    header_row: int | None,
    at_once: int | None,
) -> Iterator[Rows]:
    top = list(islice(cells, max(_LOOKED_AT, header_row or 0)))
    row = header_row or header_at(top)
    head = top[row - 1] if row <= len(top) else []
    while head and not head[-1]:
        head = head[:-1]
    names, line = header(head), row
    waiting = iter(top[row:])
    first = True
    while True:
        batch = list(islice(waiting, at_once))
        more = None if at_once is None else at_once - len(batch)
        batch += list(islice(cells, more))
        if not batch and not first:
            return
        first = False
        lines = range(line + 1, line + 1 + len(batch))
        line += len(batch)
        kept = [(i, _cut(r, len(names))) for i, r in zip(lines, batch, strict=True)
                if any(r)]  # fmt: skip
        yield rows_of(names, [i for i, _ in kept], [r for _, r in kept])
        if at_once is None:
            return


def _cut(row: list[str], width: int) -> list[str]:
    """Give a row the header's width; a sheet leaves blank cells out or adds them."""
    row = row + [""] * (width - len(row))
    while len(row) > width and not row[-1]:
        row = row[:-1]
    return row
