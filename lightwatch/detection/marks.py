"""What tells of a repair whether it ended the trouble: what was found, and how old."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.nights import DAY, YEAR
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.words import DARK

NOT_A_FAULT = ("", "none", "unknown", "programme", "knockdown", "vandalism", "theft",
               "customer")  # fmt: skip
"""Causes that say nothing of a component's own failure."""

TOLD_DAYS = 60.0
"""The trouble that a repair ended was told of at most so long before [days]."""

AGES_YEARS = (2.0, 5.0)
"""Parts are young, older and old: a part that had failed was seldom young."""

ONE_SYMPTOM, ANOTHER = ", again", ", then another"
"""The second symptom was the first, or another."""

_MENDS = ("replaced", "repaired", "reset", "converted")

_TIMES = np.array(["never", "once", "twice", "more"], dtype=object)

Words = NDArray[np.object_]


def mended(register: Register) -> pd.DataFrame:
    """Return repairs of faults: with ``repair`` (position), ``day`` and ``part``."""
    repairs = register.known.repairs
    chosen = repairs["action"].isin(_MENDS) & ~repairs["cause"].isin(NOT_A_FAULT)
    frame = repairs[chosen]
    return frame.assign(
        repair=frame.index, day=frame["happened"] / DAY, part=worked_on(frame)
    )


def age_of(register: Register, first: pd.DataFrame) -> Words:
    """Return in which band of ages each part was; '' if its age is not known."""
    ended = register.fittings
    ended = ended[ended["end_repair"] >= 0].drop_duplicates(["end_repair", "kind"])
    born = (ended["installed"] + ended["installed_last"]) / 2
    age = ((ended["end"] - born) / YEAR).set_axis(
        pd.MultiIndex.from_frame(ended[["end_repair", "kind"]])
    )
    years = age.reindex(pd.MultiIndex.from_frame(first[["repair", "part"]]))
    band = np.searchsorted(AGES_YEARS, years.to_numpy(float)).astype(str)
    return np.where(years.isna().to_numpy(), "", band).astype(object)


def symptom_of(register: Register) -> pd.Series[str]:
    """Return what each repair found, or its report told; '' where neither says."""
    known = register.known
    reported = known.reports.set_index("report_id")["symptom"]
    found = known.repairs["symptom_found"]
    heard = known.repairs["report_id"].map(reported).fillna("")
    found = found.where(found != "", heard)
    return found.where(~found.isin(DARK), DARK[0])


def alike(first: pd.Series[str], second: pd.Series[str]) -> Words:
    """Return each first symptom, and whether the second was the same, if known.

    Out is out, alone or with others, as :func:`symptom_of` has it.
    """
    second = second.where(~second.isin(DARK), DARK[0])
    one, other = first.to_numpy(object), second.to_numpy(object)
    said = np.where(one == other, ONE_SYMPTOM, ANOTHER).astype(object)
    return np.asarray(one + np.where((one == "") | (other == ""), "", said))


def times(counted: NDArray[np.int64]) -> Words:
    """Say how often a light was told of: never, once, twice, more."""
    return np.asarray(_TIMES[np.minimum(counted, len(_TIMES) - 1)])
