"""A batch of rows on its way in, and what is known of the rest of the package."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from lightwatch.nights import LocalTime
from lightwatch.observations.optional import WHAT_A_BLANK_COUNTS_AS
from lightwatch.observations.rules import Problem, Times
from lightwatch.observations.tables import Rows
from lightwatch.words import Resource


@dataclass
class Context:
    """What a batch is judged against: the clock, the export's time, other rows."""

    clock: LocalTime
    created: int
    limit: str = "the package was created"
    """What ``created`` is, in words."""
    keys: dict[str, set[str]] = field(default_factory=dict)
    """Resource to the keys of its good rows, in the package or on record."""
    rejected: dict[str, set[str]] = field(default_factory=dict)
    absent: set[str] = field(default_factory=set)
    """Resources of which there is no file and nothing on record."""
    told: set[str] = field(default_factory=set)
    """Resources that rows refer to and whose absence was warned of."""
    section_circuit: dict[str, str] = field(default_factory=dict)
    fed_by: dict[str, str] = field(default_factory=dict)
    """Section to the one upstream of it, as far as either is on record."""
    patrol_recorded: dict[str, int] = field(default_factory=dict)
    nth: dict[tuple[str, str], int] = field(default_factory=dict)
    tags: dict[str, list[str]] | None = None
    """Number on a pole, in lower case, to its lights; None until it is asked for."""
    renumbered: dict[str, str] = field(default_factory=dict)
    """New number of a light to the one under which it is on record."""
    strict: bool = False
    """Reject a row for any bad value, though it could do without."""


@dataclass
class Batch:
    """Rows being judged."""

    resource: Resource
    rows: Rows
    times: Times
    keys: list[str]
    happened: list[int | None]
    recorded: list[int | None]
    problems: list[Problem] = field(default_factory=list)
    warnings: list[tuple[int, str]] = field(default_factory=list)
    blanked: dict[int, set[str]] = field(default_factory=dict)
    """Row to its columns that were left blank; what is on record of them stays."""
    repeats: set[int] = field(default_factory=set)
    """Rows that say again what an earlier one said."""

    def __len__(self) -> int:
        return len(self.rows.lines)

    def column(self, name: str) -> list[str]:
        """Return a column's values, blank where the file does not have it."""
        found = self.rows.columns.get(name)
        return [""] * len(self) if found is None else found

    def reject(self, index: int, column: str, reason: str) -> None:
        """Say that a row is bad, and why."""
        value = self.column(column)[index] if column else ""
        self.problems.append(Problem(index, column, value, reason))

    def blank(self, context: Context, index: int, column: str, reason: str) -> None:
        """Leave out a value that its row can do without; keep it as it was given."""
        if context.strict:
            self.reject(index, column, reason)
            return
        theirs = self.rows.theirs.get(column)
        value = self.column(column)[index]
        given = theirs.values[index] if theirs else value
        self.rows.put(column, index, "", given)
        self.blanked.setdefault(index, set()).add(column)
        if column in self.times:
            self.times[column][index] = None
        counts_as = WHAT_A_BLANK_COUNTS_AS.get((self.resource.name, column), "")
        self.warn(index, f"{reason}: {given!r}; left blank{counts_as}")

    def warn(self, index: int, reason: str) -> None:
        """Say what is odd about a row that is kept."""
        self.warnings.append((index, reason))

    @property
    def bad(self) -> set[int]:
        """Indices of the rejected rows."""
        return {problem.index for problem in self.problems}

    def unknown(
        self, context: Context, column: str, to: str
    ) -> Iterable[tuple[int, str]]:
        """Yield (index, where it leads) of the references that lead nowhere."""
        values = self.column(column)
        missing = set(values) - context.keys[to]
        missing.discard("")
        if not missing:
            return
        if to in context.absent:
            bad = self.bad
            named = (i for i, text in enumerate(values) if text and i not in bad)
            first = next(named, None) if to not in context.told else None
            if first is not None:
                context.told.add(to)
                self.warn(first, f"{column} cannot be checked: there is no {to} file")
            return
        for i, text in enumerate(values):
            if text in missing:
                gone = text in context.rejected.get(to, ())
                yield (
                    i,
                    (
                        f"{column} hangs on a row of {to} that was rejected"
                        if gone
                        else f"{column} is not in {to}"
                    ),
                )
