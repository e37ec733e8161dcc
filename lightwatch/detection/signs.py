"""What told of trouble at each light: reports and sightings."""

from __future__ import annotations

import pandas as pd

from lightwatch.kept import once
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.placed import placed
from lightwatch.store.frames import filled


@once
def signs(register: Register) -> pd.DataFrame:
    """Return what told of trouble: reports and sightings, times in days.

    A report that a repair names is a sign at the light that was repaired, whichever
    light the caller named; one that names no light is a sign at the nearest, if that
    is near enough.
    """
    known = register.known
    repairs = known.repairs
    named = repairs[(repairs["report_id"] != "") & (repairs["light_id"] != "")]
    repaired = dict(zip(named["report_id"], named["light_id"], strict=True))
    reports = known.reports
    light = filled(reports["report_id"].map(repaired), reports["light_id"])
    lost = light == ""
    light[lost] = placed(register).loc[lost, "light_id"]
    told = pd.DataFrame(
        {
            "light_id": light,
            "day": reports["happened"] / DAY,
            "symptom": reports["symptom"],
            "by_patrol": False,
        }
    )
    sightings = known.sightings
    seen = pd.DataFrame(
        {
            "light_id": sightings["light_id"],
            "day": sightings["happened"] / DAY,
            "symptom": sightings["state"],
            "by_patrol": True,
        }
    )
    parts = [part for part in (told, seen) if len(part)]
    frame = pd.concat(parts, ignore_index=True) if parts else told
    return frame[frame["light_id"] != ""].reset_index(drop=True)
