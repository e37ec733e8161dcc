"""What was read at the poles of a circuit since its feed was worked on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.decisions.triage.judge import CircuitJudged
from lightwatch.decisions.triage.next_test import SOURCE
from lightwatch.decisions.triage.signs import Signs
from lightwatch.nights import DAY

OLD_NIGHTS = 7.0
"""A place read, or found shut, longer ago than this may be asked again: what feeds it
may have failed or been worked on since, unrecorded. Common practice, no source."""


@dataclass(frozen=True)
class Reading:
    """One test of voltage.

    ``place`` is the section at whose far end it was made, ``source``, or '' where the
    section is not on record; ``light`` '' where no light was named; ``at`` an instant,
    ``age`` in nights; ``live`` None where the place could not be opened; ``volts``
    None where they were not measured.
    """

    place: str
    light: str
    at: int
    age: float
    live: bool | None
    volts: float | None
    crew: str


NO_CIRCUIT = -2


def readings(signs: Signs, judged: CircuitJudged) -> tuple[Reading, ...]:
    """Return the tests on a circuit that no later work has answered, oldest first."""
    asked = judged.circuit_id, judged.light_ids
    if asked not in signs.readings:
        signs.readings[asked] = _readings(signs, judged)
    found: tuple[Reading, ...] = signs.readings[asked]
    return found


def _readings(signs: Signs, judged: CircuitJudged) -> tuple[Reading, ...]:
    grid = signs.grid
    on = judged.circuit_id
    circuit = int(grid.circuits.get_loc(on)) if on else NO_CIRCUIT
    lights = grid.light_ids.get_indexer(pd.Index(judged.light_ids, dtype=object))
    if not signs.crews.tested.intersection([circuit, *grid.circuit[lights]]):
        return ()
    read = signs.read_on(lights)
    owner = grid.section_circuit[read["section"].to_numpy()]
    owner = np.where(read["section"] >= 0, owner, read["circuit"])
    read = read[(read["row"] >= 0) | (owner == circuit)]
    if read.empty:
        return ()
    ids, sections = grid.light_ids, grid.section_ids
    found = []
    for one in read.itertuples():
        section = grid.section[one.light] if one.light >= 0 else one.section
        alone = one.light < 0 and one.section < 0
        found.append(
            Reading(
                SOURCE if alone else str(sections[section]) if section >= 0 else "",
                str(ids[one.light]) if one.light >= 0 else "",
                int(one.at),
                (signs.register.as_of - one.at) / DAY,
                None if np.isnan(one.live) else bool(one.live),
                None if np.isnan(one.volts) else float(one.volts),
                signs.crews.names.get(one.repair_id, ""),
            )
        )
    return tuple(found)
