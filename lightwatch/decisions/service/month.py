"""The month: percent lit, days to repair, backlog, callbacks."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from lightwatch.decisions.assumptions import Windows
from lightwatch.decisions.repeats.unheld import CALLBACK_DAYS, unheld_repairs
from lightwatch.decisions.service.jobs import (
    Backlog,
    Done,
    backlog,
    done,
    jobs,
)
from lightwatch.decisions.service.percent_lit import PercentLit, percent_lit
from lightwatch.decisions.triage.signs import Signs
from lightwatch.register import Register
from lightwatch.register.reach import reach
from lightwatch.words import UNANSWERED


@dataclass(frozen=True)
class Month:
    """One month of the service.

    Parameters
    ----------
    name
        YYYY-MM.
    lit
        From night patrols.
    done, backlog
        By kind of job: done in the month, open at its end.
    reports, visits, repairs
        Received; made; of those, repairs.
    heard, mended
        Whether reports, and repairs, were being recorded in it: where they were not,
        their number is not known, and not zero.
    not_found
        Visits that found no fault.
    callbacks
        Repairs of the month whose trouble was back within 30 days.
    left
        Visits that left the trouble open: made safe, or to be followed up.
    """

    name: str
    lit: PercentLit
    done: tuple[Done, ...]
    backlog: tuple[Backlog, ...]
    reports: int
    visits: int
    repairs: int
    not_found: int
    callbacks: int
    left: int
    heard: bool = True
    mended: bool = True


def _within(frame: pd.DataFrame, start: int, end: int) -> pd.DataFrame:
    return frame[(frame["happened"] >= start) & (frame["happened"] < end)]


def months(
    register: Register,
    asked: list[tuple[str, int, int]],
    windows: Windows | None = None,
) -> list[Month]:
    """Return some months, each by name, first and last instant."""
    windows = windows or Windows()
    known, far = register.known, reach(register)
    every, still = jobs(register), Signs.of(register).open
    back = {
        one.repair_id
        for one in unheld_repairs(register)
        if one.again_after_days <= CALLBACK_DAYS
    }
    found = []
    for name, start, end in asked:
        visits = _within(known.repairs, start, end)
        none = visits["action"] == "no_fault_found"
        left = visits["action"].isin(UNANSWERED) | (visits["made_safe"] == "yes")
        mends = visits[~none & ~left & (visits["cause"] != "programme")]
        at = min(end, register.as_of)
        found.append(
            Month(
                name,
                percent_lit(register, start, end),
                tuple(done(every, start, end, windows)),
                tuple(backlog(register, every, still, at, windows)),
                len(_within(known.reports, start, end)),
                len(visits),
                len(mends),
                int(none.sum()),
                int(mends["repair_id"].isin(back).sum()),
                int(left.sum()),
                far.reports is not None and far.reports > start,
                far.repairs is not None and far.repairs > start,
            )
        )
    return found
