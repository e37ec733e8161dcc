"""The order sheet: CSV and XLSX that a storekeeper opens, and no cell that runs.

A cell that a spreadsheet would take for a formula is written as text: CSV gets an
apostrophe before it, XLSX the type of text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from lightwatch.decisions.stock import StockPlan

HEAD = (
    "Order", "Model", "Part", "Depot", "On the shelf", "On order", "Days to arrive",
    "Order when below", "Order up to", "Likely use until the next order is in",
    "Use to be safe", "Chance to run out if nothing is ordered (of 100)",
    "Price each", "Cost", "Why",
)  # fmt: skip

_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")


def harmless(value: Any) -> Any:
    """Return a cell that no spreadsheet runs.

    Examples
    --------
    >>> harmless("=1+1")
    "'=1+1"
    >>> harmless("S100")
    'S100'
    >>> harmless(-3)
    -3
    """
    if isinstance(value, str) and value.lstrip(" ").startswith(_RISKY):
        return f"'{value}"
    return value


def rows(plan: StockPlan) -> list[tuple[Any, ...]]:
    """Return the lines of the order sheet, those to order first."""
    return [
        (
            one.quantity,
            one.item.model,
            one.item.kind.replace("_", " "),
            one.item.depot,
            one.on_hand,
            one.on_order,
            "not known" if one.lead_time_days is None else one.lead_time_days,
            one.reorder_point,
            one.order_up_to,
            round(one.expected),
            one.needed,
            round(100 * one.stockout_probability),
            "" if one.unit_cost is None else one.unit_cost,
            "" if one.cost is None else one.cost,
            one.reason,
        )
        for one in plan.orders
    ]


def as_csv(head: Sequence[str], lines: Iterable[Sequence[Any]]) -> str:
    """Return a table as CSV."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([harmless(cell) for cell in line] for line in lines)
    return out.getvalue()


def order_csv(plan: StockPlan) -> str:
    """Return the order sheet as CSV."""
    return as_csv(HEAD, rows(plan))


def order_xlsx(plan: StockPlan, as_of: str, path: Path) -> None:
    """Write the order sheet as XLSX: a line a model and depot, printed on its side."""
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    sheet = book.active
    sheet.title = "Order"
    sheet.append([f"Orders as of {as_of}"])
    sheet.append(list(HEAD))
    for line in rows(plan):
        sheet.append(line)
    for row in sheet.iter_rows():
        for cell in row:
            if isinstance(cell.value, str):
                cell.data_type = "s"
    sheet["A1"].font = Font(bold=True, size=14)
    for cell in sheet[2]:
        cell.font = Font(bold=True)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    for i, name in enumerate(HEAD, start=1):
        wide = 60 if name == "Why" else 14
        sheet.column_dimensions[get_column_letter(i)].width = wide
    for row in sheet.iter_rows(min_row=3, min_col=len(HEAD), max_col=len(HEAD)):
        row[0].alignment = Alignment(wrap_text=True, vertical="top")
    sheet.freeze_panes = "A3"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "2:2"
    book.save(path)
