"""A folder read through a saved mapping: a package whose rows are ours as text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from lightwatch.errors import NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.guarding import lies_inside
from lightwatch.observations.joining import JOINED, Joins, Lights, joined_to_lights
from lightwatch.observations.package import Package
from lightwatch.observations.picking import those_that_count
from lightwatch.observations.rewriting import (
    SHAPED,
    first_of_each,
    joined,
    key_of,
    own_columns,
    rewritten,
)
from lightwatch.observations.sheets import read_sheet
from lightwatch.observations.source import GEO, SHEETS, TEXTS, Source, ours
from lightwatch.observations.source import SavedMapping as Saved
from lightwatch.observations.tables import Rows, names_of, read_table, spoken
from lightwatch.words import Resource, resources


@dataclass(frozen=True)
class MappedPackage(Package):
    """A folder of other people's files, as the mapping says that they are to be read.

    It is a :class:`Package` to intake: the same files, columns of the same names.
    """

    mapping: Saved = field(repr=False)
    joins: Joins = field(default_factory=Joins, repr=False)
    """How rows were joined to lights; filled as they are read."""

    @classmethod
    def through(cls, folder: Path, mapping: Saved) -> MappedPackage:
        """Open a folder.

        Raises
        ------
        NotUnderstood
            A time of the place cannot be read, a file is not there, or one that a
            register cannot be without is not mapped.
        """
        if not folder.is_dir():
            raise NotUnderstood(f"{folder} is not a folder")
        where = f"{mapping.path}, [place]"
        try:
            clock = LocalTime(str(mapping.place["timezone"]))
            created = clock.instant(mapping.created)
            clock.instant(str(mapping.place["opened_on"]))
        except NotUnderstood as error:
            raise NotUnderstood(f"{where}: created or opened_on {error}") from None
        package = cls(folder, dict(mapping.place), clock, created, {}, mapping)
        package._refuse_wrong_files()
        for resource in resources().values():
            if resource.required and not package.has(resource.name):
                raise NotUnderstood(
                    f"{mapping.path}: [{resource.name}] is missing; a register cannot "
                    f'be without it: say file = "…" and its columns'
                )
        return package

    def _refuse_wrong_files(self) -> None:
        """Refuse files that are not there or lack a column, all that are so at once."""
        wrong: list[str] = []
        for source in (one for several in self.mapping.sources.values()
                       for one in several):  # fmt: skip
            try:
                check_there(self.folder, source, self.mapping.path)
                if Path(source.file).suffix.lower() in TEXTS:
                    next(self._read(source, 1), None)
            except NotUnderstood as error:
                wrong.append(str(error))
        if wrong:
            raise NotUnderstood("\n".join(wrong))

    def has(self, name: str) -> bool:
        """Tell whether a file of ours is mapped."""
        return name in self.mapping.sources

    def path(self, name: str) -> Path:
        """Return the first file of theirs that a file of ours is read from."""
        return self.folder / self.mapping.sources[name][0].file

    def rows(self, resource: Resource, at_once: int | None) -> Iterator[Rows]:
        """Yield rows with our columns, so many at once, or all together."""
        sources = self.mapping.sources[resource.name]
        self.joins.begin(resource.name)
        several = len(sources) > 1
        if resource.name == "repairs" and self._answers_by_place:
            yield self._answering(sources, several=several)
            return
        found = self._rows(sources, at_once, several=several)
        if at_once is None and several:
            yield joined(list(found))
        else:
            yield from found

    def _rows(
        self, sources: tuple[Source, ...], at_once: int | None, *, several: bool
    ) -> Iterator[Rows]:
        seen: set[str] = set()
        for source in sources:
            for made in self.rows_of(source, at_once, several=several, seen=seen):
                if source.resource in JOINED and self.has("lights"):
                    keys = made.columns.get(key_of(source.resource) or "", made.lines)
                    made = joined_to_lights(
                        made, source, self._lights, self.joins, list(map(str, keys))
                    )
                yield made

    @property
    def _answers_by_place(self) -> bool:
        """Whether repairs are joined to reports: both are there, and none names one."""
        sources = self.mapping.sources
        named = [{*one.columns, *one.constants} for one in sources["repairs"]]
        reports = sources.get("reports", ()) if self.has("lights") else ()
        return (
            bool(reports)
            and all(one and "report_id" not in one for one in named)
            and all(one.reports_within_days != 0 for one in sources["repairs"])
            and all("report_id" in one.columns for one in reports)
        )

    def _answering(self, sources: tuple[Source, ...], *, several: bool) -> Rows:
        """Return all repairs with the reports that they answer."""
        from lightwatch.observations.answering import (
            WITHIN_DAYS,
            Told,
            count_answers,
            with_reports,
        )

        parts, files = [], []
        for source in sources:
            for part in self._rows((source,), None, several=several):
                parts.append(part)
                files += [source.file] * len(part.lines)
        days = [x for one in sources if (x := one.reports_within_days) is not None]
        limits = [one.within_m for one in sources if one.within_m]
        lights, whole = self._lights, joined(parts)
        reports = self.mapping.sources["reports"]
        told = (part for one in reports for part in self.rows_of(one, None))
        found = with_reports(
            whole,
            Told.of(told, lights, self.clock),
            lights,
            self.clock,
            days=days[0] if days else WITHIN_DAYS,
            limit_m=limits[0] if limits else lights.limit_m,
        )
        count_answers(whole, files, found, self.joins)
        return whole

    @cached_property
    def _lights(self) -> Lights:
        sources = self.mapping.sources["lights"]
        rows = (part for one in sources for part in self.rows_of(one, None))
        return Lights.of(rows, [tag for one in sources for tag in one.tags])

    def rows_of(
        self,
        source: Source,
        at_once: int | None,
        *,
        several: bool = False,
        seen: set[str] | None = None,
    ) -> Iterator[Rows]:
        """Yield the rows of one table as ours, not yet joined to the lights."""
        seen = set() if seen is None else seen
        for rows in self._read(source, at_once):
            wanted = those_that_count(rows, source.only)
            self.joins.left_out[source.resource] += len(rows.lines) - len(wanted.lines)
            made = rewritten(
                wanted, source, self.where(source), self.clock, several=several
            )
            yield (
                first_of_each(made, source.resource, seen) if source.distinct else made
            )

    def where(self, source: Source) -> str:
        """Return what to call a table by in a message."""
        part = f", {source.sheet}" if source.sheet else ""
        return f"{self.folder / source.file}{part}"

    def _read(self, source: Source, at_once: int | None) -> Iterator[Rows]:
        path = self.folder / source.file
        if source.is_geo:
            from lightwatch.observations.places import read_places

            crs = source.reading.get("crs")
            own = {"longitude", "latitude"} & source.columns.keys()
            for rows in read_places(
                path, layer=source.sheet, crs=None if own else crs, at_once=at_once
            ):
                _checked(list(rows.columns), source, self.where(source))
                yield rows
            return

        def header(cells: list[str]) -> list[str]:
            return _checked(names_of(cells), source, self.where(source))

        if path.suffix.lower() in SHEETS:
            yield from read_sheet(
                path,
                header,
                sheet=source.sheet,
                header_row=source.header_row,
                at_once=at_once,
            )
        else:
            yield from read_table(
                path,
                header,
                encoding=source.encoding,
                delimiter=source.delimiter,
                known=frozenset(
                    spoken(name) for names in source.columns.values() for name in names
                ),
                header_row=source.header_row or 1,
                at_once=at_once,
            )


def check_there(folder: Path, source: Source, mapping: Path) -> None:
    """Refuse a file that is not there, lies elsewhere or is of no kind that is read.

    Raises
    ------
    NotUnderstood
        It is one of these.
    """
    parts, known = Path(source.file), (*TEXTS, *SHEETS, *GEO)
    where = f"{mapping}, [{source.resource}]"
    if parts.is_absolute() or ".." in parts.parts:
        raise NotUnderstood(f"{where}: file {source.file!r} leaves the folder")
    if not (folder / parts).is_file():
        raise NotUnderstood(f"{where}: file {source.file!r} is not in {folder}")
    if not lies_inside(folder, folder / parts):
        raise NotUnderstood(
            f"{where}: file {source.file!r} is a link (expected a file in the folder)"
        )
    if parts.suffix.lower() not in known:
        raise NotUnderstood(
            f"{where}: {source.file!r} is of a kind that cannot "
            f"be read (expected {', '.join(known)}); save it as one of them"
        )


def _checked(names: list[str], source: Source, where: str) -> list[str]:
    problems = header_problems(names, source, where)
    if problems:
        raise NotUnderstood("\n".join(problems))
    return names


def header_problems(names: list[str], source: Source, where: str) -> list[str]:
    """List what is wrong between a table's columns and its mapping."""
    if not names:
        return [f"{where} is empty (expected a row of column names)"]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        return [f"{where}: column {twice[0]!r} stands twice; rename or delete one"]
    shown = ", ".join(name for name in names if not name.startswith("shape."))
    found = [
        f"{where}: column {name!r}, mapped to {column}, is not there (it has {shown}); "
        f"correct [{source.resource}.columns]"
        for column, theirs in source.columns.items()
        for name in theirs
        if name not in names
    ]
    found += [
        f"{where}: column {name!r} is not there (it has {shown}); correct "
        f"[{source.resource}.{setting}]"
        for name, setting in source.further.items()
        if name not in names
    ]
    found += [
        f"{where}: {column} names several in one cell, but no column is mapped to it; "
        f"correct [{source.resource}.split] or [{source.resource}.columns]"
        for column in source.split
        if column not in source.columns
    ]
    given = {*source.columns, *source.constants, *own_columns(names, source, where)}
    if source.is_geo:
        given |= {n for n in SHAPED.get(source.resource, ()) if f"shape.{n}" in names}
    lacking = [
        one.name
        for one in ours(source.resource).values()
        if one.required and one.name not in given
    ]
    if lacking:
        found.append(
            f"{where}: nothing is mapped to {', '.join(lacking)} (it has {shown}); add "
            f'{lacking[0]} = "…" to [{source.resource}.columns] or .constants'
        )
    return found
