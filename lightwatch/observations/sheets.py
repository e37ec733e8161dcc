"""Sheets of a workbook, as rows of text: dates as ISO, numbers without noise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from itertools import islice
from pathlib import Path
from typing import Any
from zipfile import ZipFile

from lightwatch.errors import LightwatchError, NotUnderstood
from lightwatch.limits import SHEET_CELLS, UNPACKED_BYTES
from lightwatch.observations.dates import written
from lightwatch.observations.tables import Header, Rows, rows_of, within

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


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    from openpyxl import load_workbook

    book = None
    try:
        with path.open("rb") as file:
            _check_unpacked(path)
            book = load_workbook(file, read_only=True, data_only=True)
            yield book
    except LightwatchError:
        raise
    except Exception as error:  # of the library, and of those that it reads with
        said = f"{error}".partition("\n")[0] or type(error).__name__
        raise NotUnderstood(
            f"{path} cannot be read as a workbook ({said}); save it as .xlsx or .csv"
        ) from None
    finally:
        if book is not None:
            book.close()


def _check_unpacked(path: Path) -> None:
    """Refuse a workbook that is small on the disk and huge when it is unpacked."""
    with ZipFile(path) as packed:
        size = sum(one.file_size for one in packed.infolist())
    if size > UNPACKED_BYTES:
        raise NotUnderstood(
            f"{path} unpacks to {size:,} bytes (expected at most {UNPACKED_BYTES:,}); "
            "save it as .csv"
        )


def _cells(sheet: Any, path: Path) -> Iterator[list[str]]:
    """Yield a sheet's rows as text; refuse one that has no end."""
    sheet.reset_dimensions()
    count = 0
    for row in sheet.iter_rows(values_only=True):
        count += len(row)
        if count > SHEET_CELLS:
            raise NotUnderstood(
                f"{path}: sheet {sheet.title!r} has more than {SHEET_CELLS:,} cells; "
                "delete the blank ones, or save it as .csv"
            )
        yield [text_of(cell) for cell in row]


def sheet_names(path: Path) -> list[str]:
    """Return the names of a workbook's sheets."""
    with _opened(path) as book:
        return [sheet.title for sheet in book.worksheets]


def sheet_header(path: Path, sheet: str) -> int:
    """Return the row of a sheet's header, from 1: see :func:`header_at`."""
    with _opened(path) as book:
        return header_at(list(islice(_cells(book[sheet], path), _LOOKED_AT)))


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
    with _opened(path) as book:
        names = [one.title for one in book.worksheets]
        if not names or (sheet is not None and sheet not in names):
            raise NotUnderstood(
                f"{path}: sheet {sheet!r} is not there (it has {', '.join(names)})"
            )
        cells = _cells(book[sheet or names[0]], path)
        yield from _batches(
            cells, lambda head: header(within(head, path)), header_row, at_once
        )


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
