"""Bad batches: models of one year's installation that fail more than their peers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lightwatch.decisions.batches.alarm import alarms
from lightwatch.decisions.batches.excess import Excess, excess
from lightwatch.decisions.batches.tally import tally
from lightwatch.decisions.batches.units import Units, Unplaced, units
from lightwatch.lives import Lives
from lightwatch.nights import LocalTime
from lightwatch.observations.known import Known


@dataclass(frozen=True)
class Batch:
    """One model of one year's installation, against its peers.

    Parameters
    ----------
    model, vintage, maker, kind, type
        Which; the vintage is the year of installation, YYYY.
    failures, expected
        Failures that held, and those that peers at the same ages in the same months
        would have had.
    ratio, low, high
        Hazard against peers', drawn towards that of all batches; 95 % posterior limits.
    in_service
        Units in place now.
    alarm_on
        Local day, YYYY-MM-DD, on which the records first said that the batch is bad;
        None while they do not.
    failures_by_alarm
        Failures of the batch on record by then, those too that were seen later not to
        have held; None without an alarm.
    lights, circuits
        Lights that hold a unit now, and circuits whose group photocontrol is one.
    next_2y, next_2y_renewed
        Failures expected in two years of the units in place, and of as many new ones,
        were both as their peers; the ratio comes on top of the former.
    unit_cost
        Of the model by the catalogue [local currency]; None if it has none.
    """

    model: str
    vintage: str
    maker: str
    kind: str
    type: str
    failures: int
    expected: float
    ratio: float
    low: float
    high: float
    in_service: int
    alarm_on: str | None
    failures_by_alarm: int | None
    lights: tuple[str, ...]
    circuits: tuple[str, ...]
    next_2y: float
    next_2y_renewed: float
    unit_cost: float | None


@dataclass(frozen=True)
class Judged:
    """All batches, worst first, and what could not be judged.

    Parameters
    ----------
    batches
        Those that have peers.
    unplaced
        Units that belong to no batch.
    without_peers
        Units of batches that are alone of their kind and type.
    """

    batches: tuple[Batch, ...]
    unplaced: Unplaced
    without_peers: int


@dataclass(frozen=True)
class Verdict:
    """What was found by batch, in the order of the table: excess and alarms."""

    excess: Excess
    raised: np.ndarray


def judge(found: Units) -> Verdict:
    """Compare all batches with their peers, and say when an alarm was raised."""
    counted = tally(found)
    raised = alarms(counted, found.table)
    return Verdict(excess(found, counted, np.isfinite(raised)), raised)


@dataclass(frozen=True)
class _Holders:
    """Who holds the units in place, and when the failures were recorded, by batch."""

    lights: dict[int, list[str]]
    circuits: dict[int, list[str]]
    recorded: dict[int, list[float]]

    @classmethod
    def of(cls, found: Units) -> _Holders:
        """Sort units by batch."""
        standing, failed = found.standing, found.frame[found.frame["failed"]]
        own = standing["light_id"] != ""
        parts = (
            (standing[own], "light_id"),
            (standing[~own], "circuit_id"),
            (failed, "leave"),
        )
        return cls(
            *(part.groupby("batch")[name].agg(list).to_dict() for part, name in parts)
        )

    def alarm(
        self, number: int, raised: float, clock: LocalTime
    ) -> tuple[str | None, int | None]:
        """Return the local day of an alarm, and the failures on record by then."""
        if not np.isfinite(raised):
            return None, None
        by_then = sum(one <= raised for one in self.recorded[number])
        return clock.at(int(raised)).date().isoformat(), by_then


def _batch(
    row: dict[str, Any], number: int, holders: _Holders, verdict: Verdict, known: Known
) -> Batch:
    against = verdict.excess
    raised = float(verdict.raised[number])
    alarm_on, by_alarm = holders.alarm(number, raised, known.clock)
    cost = known.models.loc[known.models["model"] == row["model"], "unit_cost"]
    lights, circuits = holders.lights.get(number, []), holders.circuits.get(number, [])
    return Batch(
        model=str(row["model"]),
        vintage=f"{row['vintage']:04}",
        maker=str(row["maker"]),
        kind=str(row["kind"]),
        type=str(row["type"]),
        failures=int(against.failures[number]),
        expected=float(against.expected[number]),
        ratio=float(against.ratio[number]),
        low=float(against.low[number]),
        high=float(against.high[number]),
        alarm_on=alarm_on,
        failures_by_alarm=by_alarm,
        next_2y=float(against.ahead[number]),
        next_2y_renewed=float(against.renewed[number]),
        unit_cost=next((float(one) for one in cost.dropna()), None),
        in_service=len(lights) + len(circuits),
        lights=tuple(sorted(set(lights))),
        circuits=tuple(sorted(set(circuits))),
    )


def judged(lives: Lives) -> Judged:
    """Judge all batches; see :func:`batches`, with what was left out."""
    found, unplaced = units(lives)
    if found.frame.empty:
        return Judged((), unplaced, 0)
    verdict = judge(found)
    known = verdict.excess.known
    order = np.lexsort((-verdict.excess.ratio, -verdict.excess.low))
    table, holders = found.table.to_dict("records"), _Holders.of(found)
    rows = [
        _batch(table[i], int(i), holders, verdict, lives.register.known)
        for i in order
        if known[i]
    ]
    alone = int((~known[found.frame["batch"]]).sum())
    return Judged(tuple(rows), unplaced, alone)


def batches(lives: Lives) -> list[Batch]:
    """Return all models of a year's installation, worst first.

    Worst is the highest lower limit of the ratio. Batches alone of their kind and type
    have no peers and are left out, as are units without model, type or year.

    Parameters
    ----------
    lives
        All lives of a register, as known on a day.
    """
    return list(judged(lives).batches)
