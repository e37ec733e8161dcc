"""Repairs after which the same trouble went on, and what ended it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.detection import unheld
from lightwatch.detection.marks import TOLD_DAYS
from lightwatch.detection.moments import Moments
from lightwatch.detection.signs import signs
from lightwatch.detection.touched import lights_touched
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.words import UNANSWERED

CALLBACK_DAYS = 30.0
"""Trouble so soon after a repair is a callback, not a new failure; common practice, no
source."""


@dataclass(frozen=True)
class Unheld:
    """A repair that did not hold.

    Parameters
    ----------
    repair_id, light_id, part
        Which, where, and what was worked on.
    again_after_days
        From the repair to the next report or sighting.
    finally_
        Cause of the repair that ended the trouble; None if none has, or none on
        record: nobody had told of the light for two months before the next one.
    finally_repair
        That repair; '' if none has.
    """

    repair_id: str
    light_id: str
    part: str
    again_after_days: float
    finally_: str | None
    finally_repair: str

    @property
    def callback(self) -> bool:
        """Tell whether the trouble was back within a month."""
        return self.again_after_days <= CALLBACK_DAYS


def unheld_repairs(register: Register) -> list[Unheld]:
    """Return the repairs that did not hold, latest first."""
    repairs = register.known.repairs
    wrong = unheld(register)
    if not wrong:
        return []
    mends = repairs[~repairs["action"].isin((*UNANSWERED, "no_fault_found"))]
    frame = mends.assign(
        repair=mends.index, day=mends["happened"] / DAY, part=worked_on(mends)
    )
    first = frame[frame["repair"].isin(wrong)]
    again = set(first["light_id"])
    touched = lights_touched(register, frame[frame["light_id"].isin({*again, ""})])
    touched = touched[touched["light_id"].isin(again)]
    ends = touched[~touched["repair"].isin(wrong)]
    at = first["day"].to_numpy(float)
    told = signs(register)
    light = first["light_id"]
    told_of = Moments.of(told["light_id"], told["day"]).at(light)
    sign, _ = told_of.next(at)
    work, _ = Moments.of(touched["light_id"], touched["day"]).at(light).next(at)
    days = np.round(np.minimum(sign, work) - at, 4)
    ended, row = Moments.of(ends["light_id"], ends["day"]).at(light).next(at)
    lately, _ = told_of.last(ended)
    row[(sign < ended) & (ended - lately > TOLD_DAYS)] = -1
    cause, end = (
        np.append(column, "")[row]
        for column in (
            ends["cause"].to_numpy(object),
            repairs["repair_id"].reindex(ends["repair"]).to_numpy(object),
        )
    )
    found = [
        Unheld(
            str(repair),
            str(light),
            str(part),
            float(again),
            str(ended_by) or None,
            str(ended_with),
        )
        for (repair, light, part), again, ended_by, ended_with in zip(
            first[["repair_id", "light_id", "part"]].to_numpy(object),
            days,
            cause,
            end,
            strict=True,
        )
    ]
    latest = np.lexsort((first["repair_id"].to_numpy(str), -at))
    return [found[i] for i in latest if np.isfinite(days[i])]
