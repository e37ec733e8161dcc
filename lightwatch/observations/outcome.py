"""What became of a package: rows counted, bad values told."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import astuple, dataclass, field, fields
from pathlib import Path

from lightwatch.errors import Conflict
from lightwatch.observations.tables import harmless, table_writer

_PARTICULAR = re.compile(r"'[^']*'|\"[^\"]*\"|\S*\d\S*")
"""What makes one reason differ from the next: quoted values, words with a number."""


def alike(reason: str) -> str:
    """Return a reason without what is particular to its row.

    >>> alike("watts is not a number: '286(LED)'; left blank")
    'watts is not a number: …; left blank'
    """
    return _PARTICULAR.sub("…", reason)


@dataclass
class Count:
    """What became of one file's rows."""

    read: int = 0
    loaded: int = 0
    changed: int = 0
    unchanged: int = 0
    rejected: int = 0
    warnings: int = 0
    repeated: int = 0
    """Of the unchanged: rows that say again what an earlier one of the file said."""

    @property
    def refused(self) -> float:
        """The share of rows that are rejected."""
        return self.rejected / self.read if self.read else 0.0


@dataclass(frozen=True)
class Reject:
    """One bad value of one row, as the rejects file tells it."""

    resource: str
    row: int
    key: str
    column: str
    value: str
    reason: str


REJECTS = tuple(one.name for one in fields(Reject))
"""Columns of the list of bad values."""


@dataclass(frozen=True)
class Missing:
    """A light in service that the export no longer has, and its likely new number."""

    light_id: str
    new_number: str


@dataclass
class Outcome:
    """What became of a package."""

    counts: dict[str, Count] = field(default_factory=dict)
    rejects: list[Reject] = field(default_factory=list)
    warnings: list[tuple[str, int, str]] = field(default_factory=list)
    refused: bool = False
    """True if bad rows kept the whole package out."""
    checked: bool = False
    """True if it was only judged, and nothing changed."""
    absent: list[str] = field(default_factory=list)
    """Files that are not there, with nothing of them on record."""
    circuits_made: int = 0
    """Circuits that no file lists, made because lights or sections name them."""
    tagged: Counter[str] = field(default_factory=Counter)
    """File to its rows that named a light by its pole or by a new number."""
    missing: list[Missing] = field(default_factory=list)
    """Lights of which nobody has said what became of them."""
    missing_circuits: list[str] = field(default_factory=list)
    removed: int = 0
    """Lights taken out of service because a person said so."""

    @property
    def brought_nothing(self) -> bool:
        """True if nothing on record is other than before."""
        counts = self.counts.values()
        return not self.removed and not any(c.loaded or c.changed for c in counts)

    def mostly_refused(self, share: float) -> list[str]:
        """Return the files of which more than a share of the rows are rejected."""
        return [name for name, count in self.counts.items() if count.refused > share]

    def commonest(self, resource: str, most: int) -> list[tuple[str, int]]:
        """Return the commonest reasons for which a file's rows are rejected."""
        return _counted(r.reason for r in self.rejects if r.resource == resource)[:most]

    def take_back(self) -> None:
        """Say that nothing was kept after all."""
        for count in self.counts.values():
            count.loaded = count.changed = 0

    def write_rejects(self, path: Path) -> None:
        """Write the bad values, one line each, under a header.

        Raises
        ------
        Conflict
            The file cannot be written.
        """
        try:
            with path.open("w", encoding="utf-8", newline="") as file:
                writer = table_writer(file)
                writer.writerow(REJECTS)
                writer.writerows(map(harmless, astuple(one)) for one in self.rejects)
        except OSError as error:
            raise Conflict(f"{path} cannot be written ({error.strerror})") from None


def _counted(reasons: Iterable[str]) -> list[tuple[str, int]]:
    """Count reasons that are alike, each told as the first of its kind was."""
    counts: Counter[str] = Counter()
    first: dict[str, str] = {}
    for reason in reasons:
        counts[first.setdefault(alike(reason), reason)] += 1
    return counts.most_common()
