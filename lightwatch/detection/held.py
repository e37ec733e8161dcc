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


def _seen_again(register: Register, touched: pd.DataFrame) -> NDArray[np.float64]:
    """Return when each light was next reported or sighted [days]."""
    known = register.known
    signs = pd.concat(
        [frame[["light_id", "happened"]] for frame in (known.reports, known.sightings)]
    )
    times = Moments.of(signs["light_id"], signs["happened"] / DAY)
    seen, _ = times.at(touched["light_id"]).next(touched["day"].to_numpy(float))
    return seen


def _followed(register: Register, touched: pd.DataFrame) -> pd.DataFrame:
    """Return the next visit to each light that worked on another part.

    ``other`` is that part ('' where there was none), ``waited`` the time until then
    and ``again`` until the light was in trouble again [days].
    """
    light, _ = pd.factorize(touched["light_id"])
    part = touched["part"].to_numpy(object)
    day, seen = touched["day"].to_numpy(float), _seen_again(register, touched)
    received = register.known.reports.set_index("report_id")["happened"] / DAY
    told = touched["report_id"].map(received).to_numpy(float)
    other, waited, again = (
        np.full(len(touched), "", object),
        *np.full((2, len(touched)), np.inf),
    )
    for step in range(1, _SOON + 1):
        at = np.arange(max(len(touched) - step, 0))
        later = at + step
        new = (light[at] == light[later]) & (day[later] > day[at])
        new &= (part[at] != part[later]) & (other[at] == "")
        at, later = at[new], later[new]
        other[at], waited[at] = part[later], day[later] - day[at]
        first = np.minimum(seen[at], day[later])
        again[at] = np.fmin(first, np.maximum(told[later], day[at])) - day[at]
    return pd.DataFrame({"other": other, "waited": waited, "again": again})


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
