"""A paper as a page that prints, as CSV and as XLSX; nothing in a record can run."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path

import jinja2

from lightwatch.errors import LightwatchError
from reports.papers.paper import Cell, Paper, Table
from reports.sheets import as_csv, put, workbook

_WIDEST = 60
_LONG = 40
_MOST_UPRIGHT = 9
_SHEET_NAME = 31
_FILE_NAME = 100


def said(cell: Cell, decimals: int = 0) -> str:
    """Return a cell as it is printed."""
    if cell is None or cell == "":
        return "-"
    if isinstance(cell, int):
        return f"{cell:,}"
    if isinstance(cell, float):
        return f"{cell:,.{decimals}f}"
    return cell


def decimals(table: Table) -> list[int]:
    """Return the decimals of each column: those of its finest number."""
    return [
        max(
            (
                len(repr(row[i]).partition(".")[2].rstrip("0"))
                for row in table.rows
                if isinstance(row[i], float) and "e" not in repr(row[i])
            ),
            default=0,
        )
        for i in range(len(table.heads))
    ]


def looks(table: Table) -> list[str]:
    """Return how each column is set: numbers, words, long words."""

    def look(i: int) -> str:
        words = [row[i] for row in table.rows if isinstance(row[i], str) and row[i]]
        if not words and any(row[i] is not None for row in table.rows):
            return "n"
        longest = max((len(str(one)) for one in words), default=0)
        return "long" if longest > _LONG else "word"

    return [look(i) for i in range(len(table.heads))]


def broad(paper: Paper) -> bool:
    """Tell whether it is printed on its side."""
    return any(len(table.heads) > _MOST_UPRIGHT for table in paper.tables)


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.from_string(
        files(__package__).joinpath("page.html").read_text("utf-8")
    )


def as_html(paper: Paper) -> str:
    """Return one page that needs no network."""
    return _template().render(
        paper=paper, said=said, decimals=decimals, looks=looks, broad=broad
    )


def _workbook(paper: Paper, path: Path) -> None:
    with workbook(path) as book:
        bold = book.add_format({"bold": True})
        about = book.add_worksheet("About")
        about.set_column(0, 0, 14)
        about.set_column(1, 1, 90)
        lines = (
            ("Report", paper.title),
            ("Place", paper.place),
            ("As of", paper.as_of),
            ("Rests on", paper.sample),
            ("Records", paper.stands_on),
            *(("Missing", one) for one in paper.missing),
            ("Method", paper.method),
            *(("Left out", one) for one in paper.left_out),
            *(("Reckoned with", one) for one in paper.assumed),
            *(("Caution", one) for one in paper.cautions),
        )
        for number, (name, value) in enumerate(lines):
            put(about, number, 0, name, bold)
            put(about, number, 1, value)
        names = _file_names([table.name for table in paper.tables], _SHEET_NAME)
        for table, name in zip(paper.tables, names, strict=True):
            sheet = book.add_worksheet(name)
            sheet.freeze_panes(1, 0)
            for i, head in enumerate(table.heads):
                words = [head, *(said(row[i]) for row in table.rows[:500])]
                sheet.set_column(i, i, min(max(map(len, words)) + 2, _WIDEST))
                put(sheet, 0, i, head, bold)
            for number, row in enumerate(table.rows, 1):
                for i, cell in enumerate(row):
                    put(sheet, number, i, cell)


def _file_names(names: Sequence[str], longest: int) -> list[str]:
    """Return names that a file or a sheet may have, no two alike in any case."""
    found: dict[str, str] = {}
    for name in names:
        plain = re.sub(r"[^\w .-]", "_", name)[:longest]
        number = 1
        while plain.casefold() in found:
            number += 1
            plain = f"{plain[: longest - 4]}-{number}"
        found[plain.casefold()] = plain
    return list(found.values())


def written(paper: Paper, out: Path) -> list[Path]:
    """Write the page, a CSV file a table and one workbook into a folder.

    Raises
    ------
    LightwatchError
        The folder or a file cannot be written.
    """
    page, book = out / f"{paper.name}.html", out / f"{paper.name}.xlsx"
    try:
        out.mkdir(parents=True, exist_ok=True)
        page.write_text(as_html(paper), "utf-8")
        made = [page]
        names = _file_names([table.name for table in paper.tables], _FILE_NAME)
        for table, name in zip(paper.tables, names, strict=True):
            path = out / f"{paper.name}-{name}.csv"
            path.write_text(as_csv(table.heads, table.rows), "utf-8-sig", newline="")
            made.append(path)
        if paper.tables:
            _workbook(paper, book)
            made.append(book)
    except (OSError, csv.Error) as error:
        where = getattr(error, "filename", None) or out
        raise LightwatchError(f"{where} cannot be written ({error})") from None
    return made
