"""What was told of lights, and the work that answered it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.detection import PROVEN
from lightwatch.kept import keeping, once
from lightwatch.register import Register
from lightwatch.register.closings import ANSWERED, closings, reported_work
from lightwatch.register.placed import placed
from lightwatch.words import UNANSWERED

SAID = "said"
"""How proven a light is that was mended by what a closed report says."""


@keeping
def told_of_lights(register: Register) -> pd.DataFrame:
    """Return every report and sighting, one a row.

    A report without a light belongs to the light nearest to its coordinates, if that
    is near enough; a duplicate to the light of its original.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``at`` [instant], ``symptom``, ``danger``, ``report_id``,
        ``seen`` (by a patrol), ``original`` (the report that it repeats, or itself),
        ``closed`` [instant] and ``closed_as``.
    """
    reports, sightings = register.known.reports, register.known.sightings
    told = pd.DataFrame(
        {
            "light_id": placed(register)["light_id"],
            "at": reports["happened"],
            "symptom": reports["symptom"],
            "danger": reports["danger"],
            "report_id": reports["report_id"],
            "seen": False,
            "original": placed(register)["original"],
            **closings(register),
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
            "original": "",
            "closed": np.nan,
            "closed_as": "",
        }
    )
    parts = [part for part in (told, seen) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else told


@keeping
def answers(register: Register) -> pd.DataFrame:
    """Return the repairs that answer what came before them, and closings that do.

    A repair that names only a report was at the light of the report. A report closed as
    mended, or as nothing found, is as good as a visit that nobody proved; one that a
    repair names tells nothing more.
    """
    repairs = register.known.repairs
    done = repairs.assign(light_id=reported_work(register))
    done = done[~done["action"].isin(UNANSWERED) & (done["made_safe"] != "yes")]
    told = told_of_lights(register)
    closed = told[told["closed"].notna() & told["closed_as"].isin(ANSWERED)]
    closed = closed[
        (closed["light_id"] != "") & ~closed["report_id"].isin(set(done["report_id"]))
    ]
    if closed.empty:
        return done.assign(by_word=False)
    said = pd.DataFrame("", range(len(closed)), repairs.select_dtypes(object).columns)
    said = said.assign(
        light_id=closed["light_id"].to_numpy(),
        report_id=closed["report_id"].to_numpy(),
        happened=closed["closed"].to_numpy(),
        named=False,
        proven=np.where(closed["closed_as"] == "nothing_found", "", SAID),
        action=np.where(
            closed["closed_as"] == "nothing_found", "no_fault_found", "repaired"
        ),
    )
    said = said.assign(by_word=True).reindex(columns=[*done.columns, "by_word"])
    parts = [one for one in (done.assign(by_word=False), said) if len(one)]
    return pd.concat(parts, ignore_index=True)


@once
def last_closed(register: Register) -> pd.DataFrame:
    """Return the last closing that answers, by light: ``happened`` and ``action``."""
    done = answers(register)
    done = done[done["by_word"].astype(bool)].sort_values("happened", kind="stable")
    return (
        done.drop_duplicates("light_id", keep="last")
        .set_index("light_id")[["happened", "action"]]
        .sort_index()
    )


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
