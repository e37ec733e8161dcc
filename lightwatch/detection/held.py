"""Repairs that did not hold: the part replaced was not the one that had failed.

When a light is in trouble again soon after a repair, and another part is then replaced
or its feed mended, or no visit is on record, the first part may have been a wrong
guess. Or the other failed later; or both had failed, and the second was found when the
first was mended. How likely each is: see :mod:`lightwatch.detection.guesses`.
"""

from __future__ import annotations

import pandas as pd

from lightwatch.detection.followed import followed
from lightwatch.detection.guesses import LAST_DAYS, PROVEN, wrongly
from lightwatch.detection.marks import NOT_A_FAULT
from lightwatch.detection.returned import returned
from lightwatch.kept import keeping, once
from lightwatch.register import Register

__all__ = ["LAST_DAYS", "NOT_A_FAULT", "PROVEN", "unheld", "wrong_guesses"]

LIKELY = 0.5
"""A repair did not hold where a wrong guess is as likely as not."""


@keeping
def wrong_guesses(register: Register) -> pd.Series[float]:
    """Return the chance that each repair at a light changed a part that had not failed.

    By position in ``known.repairs``; one is not there if within a year no work on
    another part followed, and nobody told of the light again.
    """
    pairs, watched = followed(register)
    own, feed = pairs[~pairs["feed"]], pairs[pairs["feed"]]
    groups = [(own, watched), (feed, watched), returned(register)]
    found = []
    for some, days in groups:
        soon = some[some["days"] < LAST_DAYS]
        if len(soon):
            found.append(pd.Series(wrongly(soon, days), soon["repair"]))
    if not found:
        return pd.Series(dtype=float)
    return pd.concat(found).groupby(level=0).max()


@once
def unheld(register: Register) -> set[int]:
    """Return the repairs that did not hold, by position in ``known.repairs``.

    Parameters
    ----------
    register
        The register as known on a day; nothing recorded later is looked at.
    """
    chance = wrong_guesses(register)
    return {int(one) for one in chance.index[chance >= LIKELY]}
