"""Repairs that did not hold: the part replaced was not the one that had failed.

When a light is in trouble again soon after a repair, and another part is then replaced
or its feed mended, the first part may have been a wrong guess. Or the other failed
later; or both had failed, and the second was found when the first was mended. How
likely each is: see :mod:`lightwatch.detection.guesses`.
"""

from __future__ import annotations

import pandas as pd

from lightwatch.detection.followed import NOT_A_FAULT, followed
from lightwatch.detection.guesses import LAST_DAYS, PROVEN, wrongly
from lightwatch.register import Register
from lightwatch.register.once import once

__all__ = ["LAST_DAYS", "NOT_A_FAULT", "PROVEN", "unheld", "wrong_guesses"]

LIKELY = 0.5
"""A repair did not hold where a wrong guess is as likely as not."""


@once
def wrong_guesses(register: Register) -> pd.Series[float]:
    """Return the chance that each repair at a light changed a part that had not failed.

    By position in ``known.repairs``; one that no work on another part followed within
    the year is not there.
    """
    pairs, watched = followed(register)
    pairs = pairs[pairs["days"] < LAST_DAYS]
    chance = pd.Series(0.0, pairs.index)
    for feed in (False, True):
        some = pairs[pairs["feed"] == feed]
        if len(some):
            chance[some.index] = wrongly(some, watched)
    return chance.groupby(pairs["repair"]).max()


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
