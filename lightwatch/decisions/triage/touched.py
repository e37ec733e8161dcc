"""Which circuits a record touches: those of the lights and feeds that it names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from lightwatch.decisions.triage.grid import Grid
from lightwatch.observations.part import NotApart
from lightwatch.store import Row, Store

_NAMES = ("light_id", "circuit_id", "section_id", "report_id", "supersedes")
_REPORT = ("light_id", "duplicate_of")


def touched(store: Store, grid: Grid, marks: Mapping[str, int]) -> set[str]:
    """Return the circuits of what was recorded since, by their names in the grid.

    Parameters
    ----------
    store
        The records.
    grid
        The network, as it was before.
    marks
        How far reports and repairs had been read; see :meth:`Store.marks`.

    Raises
    ------
    NotApart
        A record does not say where, or names what was not in service.
    """
    repairs = store.beyond("repairs", marks["repairs"], _NAMES)
    corrected = [row["supersedes"] for row in repairs if row["supersedes"]]
    repairs += store.find("repairs", corrected).values()
    reports = store.beyond("reports", marks["reports"], _REPORT)
    named = [row["report_id"] for row in repairs if row["report_id"]]
    named += [row["duplicate_of"] for row in reports if row["duplicate_of"]]
    reports += store.find("reports", named).values()
    found: set[str] = set()
    for row in repairs:
        found |= set(_circuits(grid, row))
    for row in reports:
        if not row["light_id"]:
            raise NotApart("a report names no light")
        found |= set(_circuits(grid, row))
    return found


def _circuits(grid: Grid, row: Row) -> Iterable[str]:
    light, section = row["light_id"], row.get("section_id")
    if light:
        number = grid.light_ids.get_indexer([light])[0]
        if number < 0:
            raise NotApart("it was at a light that is not in service")
        yield str(grid.circuits[grid.circuit[number]])
    if section:
        number = grid.section_ids.get_indexer([section])[0]
        if number < 0 or grid.section_circuit[number] < 0:
            raise NotApart("it was at a section that feeds no light")
        yield str(grid.circuits[grid.section_circuit[number]])
    if row.get("circuit_id"):
        if row["circuit_id"] not in grid.circuits:
            raise NotApart("it was on a circuit that feeds no light")
        yield str(row["circuit_id"])
