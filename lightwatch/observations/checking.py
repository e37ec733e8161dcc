"""A mapping checked before it runs: every open question and every problem at once."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.mapped import MappedPackage, check_there
from lightwatch.observations.mapping import Findings, examined, open_lines
from lightwatch.observations.rules import problems, read_times
from lightwatch.observations.source import SavedMapping, Source
from lightwatch.words import resources

_EXAMPLES = 3
_AT_ONCE = 25_000


@dataclass(frozen=True)
class Checked:
    """What stands in the way of a load, and what it would lose."""

    questions: tuple[str, ...]
    """Open questions, each with its line."""
    problems: tuple[str, ...]
    """What is wrong with the mapping: nothing is loaded while one is left."""
    values: tuple[str, ...]
    """Values that cannot be read, with how many rows: these rows would be rejected."""

    @property
    def is_ready(self) -> bool:
        """Whether a load can run."""
        return not self.questions and not self.problems

    @property
    def lines(self) -> list[str]:
        """All of it, a line each."""
        return [*self.questions, *self.problems, *self.values]


def check_mapping(folder: Path, path: Path) -> Checked:
    """Read a mapping and all files that it names, and say all that is open or wrong.

    For ``load --check`` and before a load. Questions do not keep the rest from being
    checked.

    Parameters
    ----------
    folder
        Where the files are.
    path
        The mapping.

    Raises
    ------
    NotUnderstood
        There is no mapping, or it is not TOML; or there is no folder.
    """
    if not folder.is_dir():
        raise NotUnderstood(f"{folder} is not a folder")
    saved, found = examined(path)
    clock = _clock(saved, found)
    package = MappedPackage(folder, dict(saved.place), clock, 0, {}, saved)
    values: list[str] = []
    for sources in saved.sources.values():
        for source in sources:
            with found.gathered():
                check_there(folder, source, path)
                values += _values(package, source)
    for one in resources().values():
        if one.required and one.name not in saved.sources and not any(
            f"{one.name}.file" in question for question in found.questions
        ):  # fmt: skip
            found.problems.append(f"{path}: [{one.name}] is missing")
    asked = tuple(open_lines(path)) if found.questions else ()
    lines = [line for problem in found.problems for line in problem.splitlines()]
    return Checked(asked, tuple(lines), tuple(values))


def _clock(saved: SavedMapping, found: Findings) -> LocalTime:
    """Return the clock of the place; if it is not known, UTC's to read dates by."""
    zone = saved.place.get("timezone")
    with found.gathered():
        clock = LocalTime(str(zone) if zone else "UTC")
        where = f"{saved.path}, [place]"
        for name, text in (("created", saved.created),
                           ("opened_on", saved.place.get("opened_on"))):  # fmt: skip
            try:
                if text:
                    clock.instant(str(text))
            except NotUnderstood as error:
                found.problems.append(f"{where}: {name} {error}")
        return clock
    return LocalTime("UTC")


def _values(package: MappedPackage, source: Source) -> Iterator[str]:
    """Yield what cannot be read in one table, the same reason for many rows once."""
    resource = resources()[source.resource]
    bad: dict[tuple[str, str], Counter[str]] = {}
    for rows in package.rows_of(source, _AT_ONCE):
        times = read_times(resource, rows.columns, package.clock)
        told = dict(rows.misread)
        for one in problems(resource, rows.columns, package.clock, times):
            told.setdefault((one.index, one.column), one.reason)
        for (i, column), reason in told.items():
            theirs = rows.theirs.get(column)
            value = theirs.values[i] if theirs else rows.columns.get(column, [""])[i]
            name = column if not theirs else f"{column} (column {theirs.name!r})"
            bad.setdefault((name, _short(reason)), Counter())[value] += 1
    for (name, reason), counted in bad.items():
        shown = ", ".join(f"{text!r} {n:,} times" for text, n in
                          counted.most_common(_EXAMPLES))  # fmt: skip
        more = len(counted) - _EXAMPLES
        others = f" and {more:,} other texts" if more > 0 else ""
        yield (
            f"{package.where(source)}: {name}: {counted.total():,} rows: {reason}; "
            f"{shown}{others}"
        )


def _short(reason: str) -> str:
    """Leave out the column's name, and a time of day that differs in each row."""
    return re.sub(r"^\w+ |(?<=time of day )'[^']*' ", "", reason)
