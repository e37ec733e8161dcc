"""What became of a package: rows counted, bad values told."""

from __future__ import annotations

from dataclasses import astuple, dataclass, field, fields
from pathlib import Path

from lightwatch.errors import Conflict
from lightwatch.observations.tables import table_writer


@dataclass
class Count:
    """What became of one file's rows."""

    read: int = 0
    loaded: int = 0
    changed: int = 0
    unchanged: int = 0
    rejected: int = 0
    warnings: int = 0


@dataclass(frozen=True)
class Reject:
    """One bad value of one row, as the rejects file tells it."""

    resource: str
    row: int
    key: str
    column: str
    value: str
    reason: str


@dataclass
class Outcome:
    """What became of a package."""

    counts: dict[str, Count] = field(default_factory=dict)
    rejects: list[Reject] = field(default_factory=list)
    warnings: list[tuple[str, int, str]] = field(default_factory=list)
    refused: bool = False
    """True if a bad row kept the whole package out."""

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
                writer.writerow(field.name for field in fields(Reject))
                writer.writerows(map(astuple, self.rejects))
        except OSError as error:
            raise Conflict(f"{path} cannot be written ({error.strerror})") from None
