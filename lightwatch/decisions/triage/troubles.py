"""What was told of lights, and the work that answered it."""

from __future__ import annotations

import pandas as pd

from lightwatch.detection import PROVEN
from lightwatch.register import Register
from lightwatch.register.nearest import nearest_lights
from lightwatch.register.once import once
from lightwatch.words import UNANSWERED


@once
def told_of_lights(register: Register) -> pd.DataFrame:
    """Return every report and sighting, one a row.

    A report without a light belongs to the light nearest to its coordinates.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``at`` [instant], ``symptom``, ``danger``, ``report_id``,
        ``seen`` (by a patrol).
    """
    reports, sightings = register.known.reports, register.known.sightings
    lost = reports["light_id"] == ""
    light = reports["light_id"].copy()
    light[lost] = nearest_lights(register.standing, reports[lost])
    told = pd.DataFrame(
        {
            "light_id": light,
            "at": reports["happened"],
            "symptom": reports["symptom"],
            "danger": reports["danger"],
            "report_id": reports["report_id"],
            "seen": False,
        }
    )
    seen = pd.DataFrame(
        {
            "light_id": sightings["light_id"],
            "at": sightings["happened"],
            "symptom": sightings["state"],
            "danger": "",
            "report_id": "",
            "seen": True,
        }
    )
    parts = [part for part in (told, seen) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else told


def answers(register: Register) -> pd.DataFrame:
    """Return the repairs that answer what came before them."""
    repairs = register.known.repairs
    return repairs[
        ~repairs["action"].isin(UNANSWERED) & (repairs["made_safe"] != "yes")
    ]


def latest_work(answered: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return the last answer by light, circuit or section.

    Returns
    -------
    pandas.DataFrame
        ``at`` [instant], ``proven`` (1 or 0), by identifier.
    """
    named = answered[[by, "happened", "proven"]].sort_values("happened", kind="stable")
    last = named.drop_duplicates(by, keep="last").set_index(by)
    return pd.DataFrame(
        {
            "at": last["happened"].astype(float),
            "proven": last["proven"].isin(PROVEN).astype(float),
        }
    )
