"""What people print: each report a paper, each paper a page, tables and a workbook.

A paper knows nothing of HTML or spreadsheets, and the faces nothing of street lights.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from lightwatch.errors import UnknownAsset
from reports.assumptions import Assumptions, read_assumptions
from reports.papers import (
    again,
    energy,
    monthly,
    night,
    orders,
    reliability,
    warranty,
)
from reports.papers.desk import Desk
from reports.papers.faces import as_html, written
from reports.papers.paper import Paper

PAPERS: dict[str, Callable[[Desk], Paper]] = {
    "monthly": monthly.paper,
    "repeats": again.repeats,
    "batches": again.batches,
    "rebuild": again.rebuild,
    "reliability": reliability.paper,
    "photocontrols": orders.paper,
    "patrol": night.paper,
    "warranty": warranty.paper,
    "energy": energy.paper,
}
"""Every report by its name."""

ALL = "all"


def named(name: str) -> list[str]:
    """Return the reports that a name stands for.

    Raises
    ------
    UnknownAsset
        There is no such report.
    """
    if name == ALL:
        return list(PAPERS)
    if name not in PAPERS:
        raise UnknownAsset(
            f"no report {name!r} (expected one of {', '.join([*PAPERS, ALL])})"
        )
    return [name]


def write_report(name: str, desk: Desk, out: Path) -> list[Path]:
    """Write a report, or all, into a folder."""
    return [path for one in named(name) for path in written(PAPERS[one](desk), out)]


__all__ = [
    "ALL",
    "PAPERS",
    "Assumptions",
    "Desk",
    "Paper",
    "as_html",
    "named",
    "read_assumptions",
    "write_report",
]
