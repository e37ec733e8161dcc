"""What people print: each report a paper, each paper a page, tables and a workbook.

A paper knows nothing of HTML or spreadsheets, and the faces nothing of street lights.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from lightwatch.decisions.grounds import Grounds, grounds
from lightwatch.errors import UnknownAsset

if TYPE_CHECKING:
    from reports.papers.desk import Desk
    from reports.papers.paper import Paper


def _made_by(module: str, name: str = "paper") -> Callable[[Desk], Paper]:
    def made(desk: Desk) -> Paper:
        paper: Paper = getattr(import_module(f"{__name__}.{module}"), name)(desk)
        return _on(paper, grounds(desk.register, paper.name))

    return made


_KEPT = ("patrol",)
"""A paper whose streets are of use though what they are worth is not known."""


def _on(paper: Paper, grounds: Grounds) -> Paper:
    """Say on a paper what it stands on; where that is nothing, it shows no figures."""
    from reports.grounds import not_known
    from reports.papers.paper import Words

    reason = not_known(grounds)
    parts = paper.parts
    if reason:
        parts = (Words("Not known", (reason,)), *(parts if paper.name in _KEPT else ()))
    return replace(
        paper, parts=parts, stands_on=f"{grounds.stands_on}.", missing=grounds.missing
    )


PAPERS: dict[str, Callable[[Desk], Paper]] = {
    "monthly": _made_by("monthly"),
    "repeats": _made_by("again", "repeats"),
    "batches": _made_by("again", "batches"),
    "rebuild": _made_by("again", "rebuild"),
    "reliability": _made_by("reliability"),
    "photocontrols": _made_by("orders"),
    "patrol": _made_by("night"),
    "warranty": _made_by("warranty"),
    "energy": _made_by("energy"),
    "answers": _made_by("answers"),
}
"""Every report by its name; what one needs is loaded when it is made."""

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
    from reports.papers.faces import written

    return [path for one in named(name) for path in written(PAPERS[one](desk), out)]
