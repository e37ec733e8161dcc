"""Repairs after which the light was told of again, and no visit is on record.

The work that ended the trouble may be missing: it named no light, or came to no paper.
Or the caller meant another light.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.detection.marks import (
    TOLD_DAYS,
    age_of,
    alike,
    mended,
    symptom_of,
    times,
)
from lightwatch.detection.moments import Moments
from lightwatch.detection.signs import signs
from lightwatch.detection.touched import lights_touched
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.words import UNANSWERED

Floats = NDArray[np.float64]


def returned(register: Register) -> tuple[pd.DataFrame, Floats]:
    """Return repairs whose light was told of again, and not visited for two months.

    What was told of in the last two months is left out: somebody may yet come.

    Returns
    -------
    pandas.DataFrame
        As :func:`lightwatch.detection.followed.followed` does, without ``second``,
        ``feed`` and ``report``, and with how many ``times`` it was told of: once,
        twice, more.
    numpy.ndarray
        For how long each repair of a light's own is followed [days].
    """
    work = mended(register)
    first = work[work["light_id"] != ""].reset_index(drop=True)
    light, begun = first["light_id"], first["day"].to_numpy(float)
    visits = _visits(register)
    then, _ = Moments.of(visits["light_id"], visits["day"]).at(light).next(begun)
    told = signs(register)
    heard = Moments.of(told["light_id"], told["day"]).at(light)
    back, row = heard.next(begun)
    until = register.as_of / DAY - TOLD_DAYS
    alone = np.flatnonzero((back + TOLD_DAYS < then) & (back < until))
    count = heard.count(begun, np.minimum(back + TOLD_DAYS, then))
    before, _ = heard.next(begun - TOLD_DAYS)
    found = symptom_of(register)
    frame = pd.DataFrame(
        {
            "repair": first["repair"],
            "days": back - begun,
            "waited": begun - np.minimum(before, begun),
            "part": first["part"],
            "age": age_of(register, first),
            "proof": first["proven"],
            "times": times(count),
        }
    ).iloc[alone]
    again = told["symptom"].iloc[row[alone]]
    frame["symptom"] = alike(found[frame["repair"]], again)
    return frame.reset_index(drop=True), np.maximum(until - begun, 0.0)


def _visits(register: Register) -> pd.DataFrame:
    """Return who came to each light, and found or did what, by the light."""
    repairs = register.known.repairs
    rows = repairs[~repairs["action"].isin(UNANSWERED)]
    rows = rows.assign(
        repair=rows.index, day=rows["happened"] / DAY, part=worked_on(rows)
    )
    return lights_touched(register, rows)
