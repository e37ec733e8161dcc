"""Open troubles: reports and sightings that nothing has answered yet."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from lightwatch.detection import PROVEN
from lightwatch.register import Register
from lightwatch.register.nearest import nearest_lights
from lightwatch.words import DARK, UNANSWERED

COLUMNS = ("light_id", "at", "symptom", "danger", "report_id", "seen", "unseen")


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
    last = answered.sort_values("happened", kind="stable").groupby(by).last()
    return pd.DataFrame(
        {
            "at": last["happened"].astype(float),
            "proven": last["proven"].isin(PROVEN).astype(float),
        }
    )


def passes(register: Register, lights: set[str]) -> pd.DataFrame:
    """Return when patrols passed lights and did not note them.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``kind`` (night or day), ``at``: start of the patrol [instant].
    """
    patrols = register.known.patrols
    places = register.standing[["light_id", "road_id"]]
    places = places[places["light_id"].isin(lights) & (places["road_id"] != "")]
    passed = places.merge(
        patrols[["patrol_id", "road_id", "kind", "happened"]], on="road_id"
    )
    noted = register.known.sightings[["patrol_id", "light_id"]].drop_duplicates()
    passed = passed.merge(
        noted, on=["patrol_id", "light_id"], how="left", indicator=True
    )
    passed = passed[passed["_merge"] == "left_only"]
    return passed.rename(columns={"happened": "at"})[["light_id", "kind", "at"]]


def last_seen_lit(register: Register, lights: set[str]) -> dict[str, float]:
    """Return when a night patrol last passed each light and did not note it.

    The time is the start of the patrol [instant]; lights that no patrol passed so are
    left out.
    """
    passed = passes(register, lights)
    lit = passed[passed["kind"] == "night"]
    latest: dict[str, float] = (
        lit.groupby("light_id")["at"].max().astype(float).to_dict()
    )
    return latest


def _unseen(register: Register, troubles: pd.DataFrame) -> pd.Series[Any]:
    """Count for each trouble the later patrols that should have noted it."""
    passed = passes(register, set(troubles["light_id"]))
    both = troubles.reset_index().merge(passed, on="light_id", suffixes=("", "_passed"))
    wanted = np.where(both["symptom"] == "dayburning", "day", "night")
    later = both[(both["at_passed"] > both["at"]) & (both["kind"] == wanted)]
    return later.groupby("index").size().reindex(troubles.index, fill_value=0)


def open_troubles(register: Register, worked: dict[str, float]) -> pd.DataFrame:
    """Return every report and sighting that is still open, one a row.

    A repair answers the report that it names, and whatever came before it on its
    light, on its circuit as a whole or beyond its section. A later night patrol that
    passed and noted nothing contradicts a light said to be out.

    Parameters
    ----------
    register
        As known on a day.
    worked
        For each light in service when it, or what feeds it, was last worked on
        [instant].

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``at`` [instant], ``symptom``, ``danger``, ``report_id``,
        ``seen`` (by a patrol), ``unseen`` (later patrols that passed and did not
        note it).
    """
    troubles = told_of_lights(register)
    last = troubles["light_id"].map(worked)
    named = set(answers(register)["report_id"]) - {""}
    troubles = troubles[
        last.notna() & ~(last > troubles["at"]) & ~troubles["report_id"].isin(named)
    ]
    if troubles.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    lit = last_seen_lit(register, set(troubles["light_id"]))
    contradicted = troubles["symptom"].isin(DARK) & (
        troubles["light_id"].map(lit).astype(float) > troubles["at"]
    )
    troubles = troubles[~contradicted].reset_index(drop=True)
    return troubles.assign(unseen=_unseen(register, troubles))
