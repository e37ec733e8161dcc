"""The order sheet: CSV and XLSX that a storekeeper opens."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from lightwatch.decisions.stock import StockPlan
from reports.sheets import as_csv, put, workbook

HEAD = (
    "Order", "Model", "Part", "Depot", "On the shelf", "On order", "Days to arrive",
    "Order when below", "Order up to", "Likely use until the next order is in",
    "Use to be safe", "Chance to run out if nothing is ordered (of 100)",
    "Price each", "Cost", "Why",
)  # fmt: skip


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


def order_csv(plan: StockPlan) -> str:
    """Return the order sheet as CSV."""
    return as_csv(HEAD, rows(plan))


def order_xlsx(plan: StockPlan, as_of: str, path: Path) -> None:
    """Write the order sheet as XLSX: a line a model and depot, printed on its side."""
    with workbook(path) as book:
        title = book.add_format({"bold": True, "font_size": 14})
        head = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        sheet = book.add_worksheet("Order")
        put(sheet, 0, 0, f"Orders as of {as_of}", title)
        for i, name in enumerate(HEAD):
            put(sheet, 1, i, name, head)
            sheet.set_column(i, i, 60 if name == "Why" else 14)
        for number, line in enumerate(rows(plan), 2):
            for i, value in enumerate(line):
                put(sheet, number, i, value, wrapped if HEAD[i] == "Why" else None)
        sheet.freeze_panes(2, 0)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(1)
