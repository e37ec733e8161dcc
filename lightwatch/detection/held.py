"""Repairs that did not hold: the part replaced was not the one that had failed.

Common practice, no source: when the same light is in trouble again within days, and
another component is then replaced or its feed repaired, the first part was a wrong
guess; unless the crew had seen the first repair work. Parts also fail one after the
other by chance: pairs of parts that follow each other within days no more often than
later in the year are left alone.
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
from lightwatch.register.once import once

WINDOW_DAYS = 28
"""A light in trouble again within this many days puts its last repair in doubt."""

WAIT_DAYS = 60
"""So long after it, at most, another part must have been worked on [days]."""

LATER_DAYS = 360.0
"""Over so long after the window, what follows by chance is counted [days]."""

LIKELY = 0.75
"""Least share of wrong guesses among the quick pairs of two parts."""

_USUAL_CHANCE = 0.15
"""Share of chance among quick pairs, before any are seen; weighs as much as one."""

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


def _followed(register: Register, touched: pd.DataFrame) -> pd.DataFrame:
    """Return the next visit to each light that worked on another part.

    ``other`` is that part ('' where there was none), ``waited`` the time until then
    and ``again`` until the light was in trouble again [days].
    """
    none = np.full(len(touched), np.inf)
    found = pd.DataFrame({"other": "", "waited": none, "again": none})
    for step in range(1, _SOON + 1):
        later = touched.shift(-step)
        waited = later["day"] - touched["day"]
        other = (later["light_id"] == touched["light_id"]) & (waited > 0)
        other &= (later["part"] != touched["part"]) & (found["other"] == "")
        found.loc[other, "other"] = later.loc[other, "part"]
        found.loc[other, "waited"] = waited[other]
        again = pd.Series(_again(register, touched, later), touched.index)
        found.loc[other, "again"] = again[other]
    return found


def _share_of_wrong_guesses(
    pairs: pd.Series[str], soon: pd.Series[bool], late: pd.Series[bool], window: float
) -> pd.Series[float]:
    """Return for each pair of parts how many of the quick ones were wrong guesses.

    Had the first part really failed, the second would follow within days no more often
    than in the year after. What comes within days beyond that is wrong guesses.
    """
    quick = pairs[soon].value_counts()
    chance = pairs[late].value_counts().reindex(quick.index, fill_value=0)
    chance = chance * (window / LATER_DAYS)
    share = 1.0 - (chance + _USUAL_CHANCE) / (quick + 1.0)
    return pairs.map(share).fillna(0.0)


@once
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
    after = _followed(register, touched)
    own = set(mended.loc[mended["light_id"] != "", "repair"])
    guess = touched["repair"].isin(own) & ~touched["proven"].isin(PROVEN)
    soon = guess & (after["again"] <= window_days) & (after["waited"] <= WAIT_DAYS)
    late = guess & (after["again"] > window_days)
    late &= after["again"] <= window_days + LATER_DAYS
    pairs = touched["part"] + " then " + after["other"]
    share = _share_of_wrong_guesses(pairs, soon, late, window_days)
    return set(touched.loc[soon & (share >= LIKELY), "repair"])
