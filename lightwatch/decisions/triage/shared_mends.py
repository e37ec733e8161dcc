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
    kept = ~repairs["action"].isin((*UNANSWERED, "no_fault_found"))
    whole = (level == "feed") & (repairs["section_id"] == "").to_numpy()
    sources = repairs.index.isin(source_faults(repairs).index)
    kept &= (level != "own") & (~whole | sources)
    control = known.circuits.set_index("circuit_id")["control"]
    own_control = repairs["circuit_id"].map(control) == "own"
    told = known.reports.set_index("report_id")["symptom"]
    symptom = repairs["report_id"].map(told).fillna("")
    found = repairs["symptom_found"]
    lit = ~found.where(found != "", symptom).isin((*DARK, ""))
    kept &= (level != "group") | (~own_control & ~lit)
    mends = repairs[kept]
    some = (level[kept] == "feed") & (mends["section_id"] == "")
    return mends.assign(
        repair=mends.index,
        day=mends["happened"] / DAY,
        part=worked_on(mends),
        some=some & ~mends["cause"].isin(("supply", "fuse")),
    )
