"""The repairs that ended a fault which kept several lights dark."""

from __future__ import annotations

import pandas as pd

from lightwatch.decisions.triage.habits import level_of_work, source_faults
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.words import DARK, UNANSWERED


def shared_mends(register: Register) -> pd.DataFrame:
    """Return the repairs that ended a fault which kept several lights dark.

    Restorations of an area are none, nor is the work on a light that names only its
    circuit, nor that on a group that burned by day.

    Returns
    -------
    pandas.DataFrame
        Rows of ``known.repairs``, with ``repair`` (their index), ``day``, ``part``, and
        ``some``: only a part of the circuit was dark, and nothing says which.
    """
    known, repairs = register.known, register.known.repairs
    level = level_of_work(repairs)
    done = repairs[level != "own"].assign(level=level[level != "own"])
    done = done[~done["action"].isin((*UNANSWERED, "no_fault_found"))]
    whole = (done["level"] == "feed") & (done["section_id"] == "")
    done = done[~whole | done.index.isin(source_faults(repairs).index)]
    control = known.circuits.set_index("circuit_id")["control"]
    told = known.reports.set_index("report_id")["symptom"]
    found = done["symptom_found"]
    symptom = found.where(found != "", done["report_id"].map(told).fillna(""))
    dark = symptom.isin((*DARK, "")) & (done["circuit_id"].map(control) != "own")
    mends = done[(done["level"] == "feed") | dark]
    return mends.assign(
        repair=mends.index,
        day=mends["happened"] / DAY,
        part=worked_on(mends),
        some=(mends["level"] == "feed")
        & (mends["section_id"] == "")
        & ~mends["cause"].isin(("supply", "fuse")),
    )
