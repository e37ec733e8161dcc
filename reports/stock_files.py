"""The files of a stock plan: order sheets, pictures, claims."""

from __future__ import annotations

from pathlib import Path

from lightwatch.decisions.stock import Advice, StockPlan
from lightwatch.errors import LightwatchError
from reports.stock_advice import claims_csv
from reports.stock_charts import fans
from reports.stock_sheets import order_csv, order_xlsx


def write_files(
    folder: Path, as_of: str, plan: StockPlan, advice: Advice | None = None
) -> list[Path]:
    """Write order sheet (CSV, XLSX), a picture a kind, and claims.

    Raises
    ------
    LightwatchError
        The folder cannot be written.
    """
    texts = {"order.csv": order_csv(plan), **fans(plan, as_of)}
    if advice is not None:
        texts["claims.csv"] = claims_csv(advice)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_text(text, "utf-8", newline="")
        order_xlsx(plan, as_of, folder / "order.xlsx")
    except OSError as error:
        raise LightwatchError(
            f"{folder} cannot be written ({error.strerror})"
        ) from None
    return [folder / name for name in [*texts, "order.xlsx"]]
