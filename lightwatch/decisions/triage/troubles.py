"""Open troubles: reports and sightings that nothing has answered yet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
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


def _latest(answered: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return the last answer by light, circuit or section: when, and if proven."""
    last = answered.sort_values("happened", kind="stable").groupby(by).last()
    return pd.DataFrame(
        {
            "at": last["happened"].astype(float),
            "proven": last["proven"].isin(PROVEN).astype(float),
        }
    )


@dataclass(frozen=True)
class Work:
    """When lights, whole circuits and sections were last worked on."""

    light: pd.DataFrame
    circuit: pd.DataFrame
    section: pd.DataFrame
    feeds: dict[str, tuple[str, ...]]

    @classmethod
    def of(cls, register: Register) -> Work:
        """Read off the answers that count."""
        found = answers(register)
        nowhere = (found["light_id"] == "") & ~found["named"]
        whole = nowhere & (found["section_id"] == "") & (found["circuit_id"] != "")
        return cls(
            _latest(found[found["light_id"] != ""], "light_id"),
            _latest(found[whole], "circuit_id"),
            _latest(found[found["section_id"] != ""], "section_id"),
            register.feeds,
        )

    @cached_property
    def _section_at(self) -> dict[str, float]:
        times: dict[str, float] = self.section["at"].to_dict()
        return times

    def _on_the_way(self, section: str) -> str | None:
        """Return the section last worked on between a section and the source."""
        times = self._section_at
        worked = [one for one in self.feeds.get(section, ()) if one in times]
        return max(worked, key=times.__getitem__) if worked else None

    def last(self, lights: pd.DataFrame) -> pd.DataFrame:
        """Return when each light, or what feeds it, was last worked on.

        Parameters
        ----------
        lights
            Rows of ``register.standing``.

        Returns
        -------
        pandas.DataFrame
            In the order of ``lights``: ``at`` [instant; NaN if never], ``proven``.
        """
        way = {one: self._on_the_way(one) for one in set(lights["section_id"])}
        parts = [
            self.light.reindex(lights["light_id"]),
            self.circuit.reindex(lights["circuit_id"]),
            self.section.reindex(lights["section_id"].map(way)),
        ]
        at = np.array([part["at"].to_numpy(float) for part in parts])
        proven = np.array([part["proven"].to_numpy(float) for part in parts])
        newest = np.argmax(np.nan_to_num(at, nan=-np.inf), axis=0)
        column = np.arange(len(lights))
        return pd.DataFrame(
            {"at": at[newest, column], "proven": proven[newest, column] == 1.0}
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
    troubles = told_of_lights(register)
    lights = register.standing
    lights = lights[lights["light_id"].isin(set(troubles["light_id"]))]
    if lights.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    troubles = troubles[troubles["light_id"].isin(set(lights["light_id"]))]
    named = set(answers(register)["report_id"]) - {""}
    work = Work.of(register).last(lights).set_index(lights["light_id"].to_numpy())
    worked = troubles["light_id"].map(work["at"])
    troubles = troubles[~troubles["report_id"].isin(named) & ~(worked > troubles["at"])]
    lit = last_seen_lit(register, set(troubles["light_id"]))
    contradicted = troubles["symptom"].isin(DARK) & (
        troubles["light_id"].map(lit).astype(float) > troubles["at"]
    )
    troubles = troubles[~contradicted].reset_index(drop=True)
    return troubles.assign(unseen=_unseen(register, troubles))
