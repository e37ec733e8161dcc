"""A paper: what people carry to a meeting, before anybody has laid it out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

Cell = str | int | float | None


@dataclass(frozen=True)
class Table:
    """A table of a paper.

    Parameters
    ----------
    name
        Short, for its file and its sheet: letters, digits, hyphens.
    title
        What it shows.
    heads
        Of its columns, with units.
    rows
        Cells; None is printed as a dash.
    note
        Below it.
    most
        So many rows are printed; the files have all. None: all.
    """

    name: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    most: int | None = None

    def __post_init__(self) -> None:
        if any(len(row) != len(self.heads) for row in self.rows):
            raise ValueError(f"table {self.name}: a row has not a cell for every head")

    @property
    def printed(self) -> tuple[tuple[Cell, ...], ...]:
        """The rows on paper."""
        return self.rows[: self.most]


@dataclass(frozen=True)
class Chart:
    """A picture of a paper: SVG that calls for nothing from outside."""

    title: str
    svg: str


@dataclass(frozen=True)
class Words:
    """A paragraph, or a list of points, under a heading."""

    title: str
    said: tuple[str, ...]


Part = Table | Chart | Words


@dataclass(frozen=True)
class Paper:
    """A report.

    Parameters
    ----------
    name
        Of its files.
    title, place
        Of its first page.
    as_of
        Local time, written; only what was recorded before it counts.
    sample
        What it rests on, in numbers.
    method
        In one line.
    left_out
        What is not in it, and why.
    parts
        In order.
    cautions
        Where work on a pole, cable or road follows.
    assumed
        What is reckoned with that the records do not say, and whence it is.
    stands_on, missing
        The records behind it, and what is missing of them.
    """

    name: str
    title: str
    place: str
    as_of: str
    sample: str
    method: str
    left_out: tuple[str, ...]
    parts: tuple[Part, ...]
    cautions: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    stands_on: str = ""
    missing: tuple[str, ...] = ()

    @property
    def tables(self) -> tuple[Table, ...]:
        """Its tables."""
        return tuple(part for part in self.parts if isinstance(part, Table))


def rows(some: Sequence[Sequence[Any]]) -> tuple[tuple[Cell, ...], ...]:
    """Return rows as a table takes them."""
    return tuple(tuple(row) for row in some)


def rounded(value: float | None, digits: int = 1) -> float | None:
    """Return a number as it is printed; what is no number as None."""
    if value is None or value != value:
        return None
    return round(float(value), digits)
