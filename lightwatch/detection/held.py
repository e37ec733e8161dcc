"""Repairs that did not hold: the part replaced was not the one that had failed.

Common practice, no source: when the same light is in trouble again within days, and
another component is then replaced or its feed repaired, the first part was a wrong
guess; unless the crew had seen the first repair work.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.detection.moments import Moments
from lightwatch.detection.touched import lights_touched
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on

WINDOW_DAYS = 28
"""A light in trouble again within this many days puts its last repair in doubt."""

WAIT_DAYS = 60
"""So long after it, at most, another part must have been worked on [days]."""

PROVEN = ("cover_test", "seen_lit")

NOT_A_FAULT = ("", "none", "unknown", "programme", "knockdown", "vandalism", "theft",
               "customer")  # fmt: skip
"""Causes that say nothing of a component's own failure."""

_MENDS = ("replaced", "repaired", "reset", "converted")
_SOON = 3
"""How many visits after a repair are looked at."""


def _mended(register: Register) -> pd.DataFrame:
    repairs = register.known.repairs
    chosen = repairs["action"].isin(_MENDS) & ~repairs["cause"].isin(NOT_A_FAULT)
    frame = repairs[chosen]
    return frame.assign(
        repair=frame.index, day=frame["happened"] / DAY, part=worked_on(frame)
    )


def _again(
    register: Register, touched: pd.DataFrame, later: pd.DataFrame
) -> NDArray[np.float64]:
    """Return after how long each light was in trouble again, at most at ``later``."""
    known = register.known
    signs = pd.concat(
        [frame[["light_id", "happened"]] for frame in (known.reports, known.sightings)]
    )
    day = touched["day"].to_numpy(float)
    times = Moments.of(signs["light_id"], signs["happened"] / DAY)
    seen, _ = times.next(touched["light_id"], day)
    received = known.reports.set_index("report_id")["happened"] / DAY
    told = later["report_id"].map(received).to_numpy(float)
    again = np.minimum(seen, later["day"].to_numpy(float))
    days: NDArray[np.float64] = np.fmin(again, np.maximum(told, day)) - day
    return days


def unheld(register: Register, window_days: float = WINDOW_DAYS) -> set[int]:
    """Return the repairs that did not hold, by position in ``known.repairs``.

    Parameters
    ----------
    register
        The register as known on a day; nothing recorded later is looked at.
    window_days
        Time within which the light must be in trouble again [days].
    """
    mended = _mended(register)
    touched = lights_touched(register, mended)
    doubtful = np.zeros(len(touched), dtype=bool)
    for step in range(1, _SOON + 1):
        later = touched.shift(-step)
        waited = later["day"] - touched["day"]
        other = (later["light_id"] == touched["light_id"]) & (waited > 0)
        other &= (waited <= WAIT_DAYS) & (later["part"] != touched["part"])
        doubtful |= other.to_numpy() & (_again(register, touched, later) <= window_days)
    guess = ~touched["proven"].isin(PROVEN).to_numpy() & doubtful
    own = set(mended.loc[mended["light_id"] != "", "repair"])
    return set(touched.loc[guess, "repair"]) & own
