"""Open troubles: reports and sightings that nothing has answered yet."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from lightwatch.register import Register
from lightwatch.words import DARK, UNANSWERED

COLUMNS = ("light_id", "at", "symptom", "danger", "report_id", "seen", "unseen")


def _nearest_lights(register: Register, reports: pd.DataFrame) -> pd.Series[Any]:
    """Return the light nearest to each report's coordinates."""
    from sklearn.neighbors import BallTree

    lights = register.standing
    place = ["latitude", "longitude"]
    if lights.empty or reports.empty:
        return pd.Series("", index=reports.index, dtype=object)
    tree = BallTree(np.radians(lights[place].to_numpy()), metric="haversine")
    found = tree.query(np.radians(reports[place].to_numpy()), return_distance=False)
    names = lights["light_id"].to_numpy()[found[:, 0]]
    return pd.Series(names, index=reports.index, dtype=object)


def _reports(register: Register) -> pd.DataFrame:
    reports = register.known.reports
    lost = reports["light_id"] == ""
    light = reports["light_id"].copy()
    light[lost] = _nearest_lights(register, reports[lost])
    return pd.DataFrame(
        {
            "light_id": light,
            "at": reports["happened"],
            "symptom": reports["symptom"],
            "danger": reports["danger"],
            "report_id": reports["report_id"],
            "seen": False,
        }
    )


def _sightings(register: Register) -> pd.DataFrame:
    sightings = register.known.sightings
    return pd.DataFrame(
        {
            "light_id": sightings["light_id"],
            "at": sightings["happened"],
            "symptom": sightings["state"],
            "danger": "",
            "report_id": "",
            "seen": True,
        }
    )


def _last_work(register: Register) -> pd.Series[Any]:
    """Return for each light when it, or what feeds it, was last worked on."""
    repairs = register.known.repairs
    answers = repairs[
        ~repairs["action"].isin(UNANSWERED) & (repairs["made_safe"] != "yes")
    ]
    own = answers[answers["light_id"] != ""].groupby("light_id")["happened"].max()
    whole = answers[
        (answers["light_id"] == "")
        & ~answers["named"]
        & (answers["section_id"] == "")
        & (answers["circuit_id"] != "")
    ]
    circuit = whole.groupby("circuit_id")["happened"].max()
    fed = answers[answers["section_id"] != ""].groupby("section_id")["happened"].max()
    on_feed = fed.to_dict()
    by_section = {
        section: max((on_feed.get(one, -np.inf) for one in way), default=-np.inf)
        for section, way in register.feeds.items()
    }
    lights = register.standing.set_index("light_id")
    latest = pd.concat(
        [
            own.reindex(lights.index),
            lights["circuit_id"].map(circuit),
            lights["section_id"].map(by_section),
        ],
        axis=1,
    ).astype(float)
    return latest.max(axis=1)


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


def open_troubles(register: Register) -> pd.DataFrame:
    """Return every report and sighting that is still open, one a row.

    A repair answers the report that it names, and whatever came before it on its
    light, on its circuit as a whole or beyond its section. A later night patrol that
    passed and noted nothing contradicts a light said to be out.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``at`` [instant], ``symptom``, ``danger``, ``report_id``,
        ``seen`` (by a patrol), ``unseen`` (later patrols that passed and did not
        note it).
    """
    parts = [p for p in (_reports(register), _sightings(register)) if len(p)]
    if not parts:
        return pd.DataFrame(columns=list(COLUMNS))
    troubles = pd.concat(parts, ignore_index=True)
    troubles = troubles[troubles["light_id"].isin(set(register.standing["light_id"]))]
    repairs = register.known.repairs
    answers = repairs[
        ~repairs["action"].isin(UNANSWERED) & (repairs["made_safe"] != "yes")
    ]
    named = set(answers["report_id"]) - {""}
    worked = troubles["light_id"].map(_last_work(register))
    troubles = troubles[~troubles["report_id"].isin(named) & ~(worked > troubles["at"])]
    lit = last_seen_lit(register, set(troubles["light_id"]))
    contradicted = troubles["symptom"].isin(DARK) & (
        troubles["light_id"].map(lit).astype(float) > troubles["at"]
    )
    troubles = troubles[~contradicted].reset_index(drop=True)
    return troubles.assign(unseen=_unseen(register, troubles))
