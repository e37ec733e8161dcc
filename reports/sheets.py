"""Tables as CSV and XLSX, and no cell that runs.

A cell that a spreadsheet would take for a formula is written as text: CSV gets an
apostrophe before it, XLSX the type of text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from math import isfinite
from pathlib import Path
from typing import Any

from lightwatch.errors import LightwatchError
from lightwatch.observations.tables import harmless

LONGEST_CELL = 32_767
"""Most characters of a cell (ISO/IEC 29500 spreadsheets, from memory)."""


def as_csv(head: Sequence[str], lines: Iterable[Sequence[Any]]) -> str:
    """Return a table as CSV."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([harmless(cell) for cell in line] for line in lines)
    return out.getvalue()


@contextmanager
def workbook(path: Path) -> Iterator[Any]:
    """Write a workbook, row after row.

    Raises
    ------
    LightwatchError
        The file cannot be written.
    """
    import xlsxwriter
    from xlsxwriter.exceptions import XlsxWriterException

    book = xlsxwriter.Workbook(str(path), {"constant_memory": True})
    try:
        yield book
        book.close()
    except XlsxWriterException as error:
        raise LightwatchError(f"{path} cannot be written ({error})") from None


def put(sheet: Any, row: int, column: int, value: Any, look: Any = None) -> None:
    """Put words as words and numbers as numbers into a cell; None leaves it empty."""
    if isinstance(value, str):
        sheet.write_string(row, column, value[:LONGEST_CELL], look)
    elif value is not None and isfinite(value):
        sheet.write_number(row, column, value, look)
