"""What was observed of lights, since they were last worked on, up to a time."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from lightwatch.decisions.triage.channel import DARKNESS, Channel
from lightwatch.decisions.triage.evidence import Lights, Looks, night_edges
from lightwatch.decisions.triage.experience import (
    FEED_CAUSES,
    YEAR_NIGHTS,
    Experience,
)
from lightwatch.decisions.triage.troubles import (
    Work,
    answers,
    told_of_lights,
)
from lightwatch.decisions.triage.wiring import metres
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.words import DARK, UNANSWERED

ALONE = "\0"
"""Begins the name of a circuit made up for a light that is on none."""

PROVEN_SLIP = 0.002
"""Chance that a light proven lit was left dark; no source."""

CREW_HIT = 0.98
"""Chance that a crew at the light says rightly whether it is dark; no source."""

POWERED = 0.95
"""Chance that a light said to burn by day, cycle or be dim is not dark; no source."""

DAY_HIT = 0.9
"""Chance that a day patrol notes a light that burns by day; no source."""

NEARBY_M = 80.0
NEIGHBOURS = 4
"""A report may be meant for one of so many lights nearest to it, so near [m]; no
source."""

FOUND = 1000.0
"""How many times likelier a crew is to find a fault where it is than where it is not;
no source."""

LIVE_VOLTS = 50.0
"""A reading below this is a dead feed; usual limit of extra-low voltage (IEC 61140,
from memory)."""


@dataclass(frozen=True)
class Tests:
    """Readings of voltage at lights or at the far end of sections.

    ``light`` is a position among the lights, -1 where a section was tested.
    """

    light: np.ndarray
    section_id: np.ndarray
    age: np.ndarray
    dead: np.ndarray


def _rows(frame: pd.DataFrame, by: str) -> dict[str, np.ndarray]:
    found: dict[str, np.ndarray] = frame.groupby(by, sort=False).indices
    return found


def _some(frame: pd.DataFrame, rows: dict[str, np.ndarray], ids: Any) -> pd.DataFrame:
    """Return the rows of some lights or roads."""
    wanted = [rows[one] for one in ids if one in rows]
    return frame.iloc[np.concatenate(wanted) if wanted else []]


def _misplaced(lights: pd.DataFrame, told: np.ndarray, per_night: float) -> np.ndarray:
    """Return the rate of reports of each light that are meant for one nearby.

    Parameters
    ----------
    lights
        n lights.
    told
        Shape (n,): there is an open sign at it.
    per_night
        Rate of such reports that a light in trouble draws, on all around it [1/night].
    """
    drawn = np.zeros(len(lights))
    if told.any() and len(lights) > 1:
        place = metres(lights)
        many = min(NEIGHBOURS + 1, len(lights))
        away, near = cKDTree(place).query(place[told], k=many)
        close = (away[:, 1:] <= NEARBY_M) & np.isfinite(away[:, 1:])
        np.add.at(drawn, near[:, 1:][close], per_night / NEIGHBOURS)
    return drawn


@dataclass(frozen=True)
class Signs:
    """All that was observed and no repair has answered, found by light at once."""

    register: Register

    @cached_property
    def work(self) -> Work:
        """When lights and feeds were last worked on."""
        return Work.of(self.register)

    @cached_property
    def told(self) -> pd.DataFrame:
        """Reports and sightings that no repair names.

        A report belongs to the light that the crew went to, if one has been.
        """
        told = told_of_lights(self.register)
        named = set(answers(self.register)["report_id"]) - {""}
        left = self.left_open
        left = left[(left["report_id"] != "") & (left["light_id"] != "")]
        meant = left.drop_duplicates("report_id").set_index("report_id")["light_id"]
        told["light_id"] = told["report_id"].map(meant).fillna(told["light_id"])
        return told[~told["report_id"].isin(named)].sort_values("at", kind="stable")

    @cached_property
    def _told_of(self) -> dict[str, np.ndarray]:
        return _rows(self.told, "light_id")

    @cached_property
    def patrols(self) -> pd.DataFrame:
        """Patrols that set out since the oldest onset looked at."""
        patrols = self.register.known.patrols
        earliest = self.register.as_of - night_edges()[0] * DAY
        return patrols[patrols["happened"] >= earliest]

    @cached_property
    def _patrols_of(self) -> dict[str, np.ndarray]:
        return _rows(self.patrols, "road_id")

    @cached_property
    def sightings(self) -> pd.DataFrame:
        """What patrols noted, once for each light."""
        return self.register.known.sightings.drop_duplicates(["patrol_id", "light_id"])

    @cached_property
    def _sightings_of(self) -> dict[str, np.ndarray]:
        return _rows(self.sightings, "light_id")

    @cached_property
    def left_open(self) -> pd.DataFrame:
        """Visits that left the trouble open."""
        repairs = self.register.known.repairs
        return repairs[
            repairs["action"].isin(UNANSWERED) | (repairs["made_safe"] == "yes")
        ]

    @cached_property
    def rewired(self) -> pd.Series[float]:
        """When lights came onto another circuit or section [instant]."""
        spans = self.register.spans
        now = spans[(spans["until"] == np.inf) & np.isfinite(spans["since"])]
        now = now.set_index("light_id")
        before = spans[spans["until"] < np.inf].groupby("light_id").last()
        same = before[["circuit_id", "section_id"]].reindex(now.index)
        differs = (same != now[["circuit_id", "section_id"]]).any(axis=1)
        since: pd.Series[float] = now.loc[differs, "since"].astype(float)
        return since

    @cached_property
    def _lights(self) -> pd.DataFrame:
        """Lights in service; one on no circuit is a circuit of its own."""
        lights = self.register.standing
        on_circuit = lights["circuit_id"] != ""
        alone = ALONE + lights["light_id"]
        return lights.assign(
            on_circuit=on_circuit,
            circuit_id=lights["circuit_id"].where(on_circuit, alone),
        )

    @cached_property
    def _lights_of(self) -> dict[str, np.ndarray]:
        return _rows(self._lights, "circuit_id")

    @cached_property
    def circuit_of(self) -> dict[str, str]:
        """For each light in service its circuit."""
        lights = self._lights
        return dict(zip(lights["light_id"], lights["circuit_id"], strict=True))

    def on_circuits(self, circuits: Any) -> pd.DataFrame:
        """Return the lights in service on some circuits."""
        return _some(self._lights, self._lights_of, circuits).reset_index(drop=True)

    @cached_property
    def found(self) -> tuple[set[str], set[str]]:
        """Sections, and circuits, on which crews found a fault and left it.

        What was worked on later is left out.
        """
        left = self.left_open
        left = left[left["cause"].isin(FEED_CAUSES) & (left["light_id"] == "")]
        at = left["happened"].astype(float)
        done = left["section_id"].map(self.work.section["at"]).fillna(-np.inf)
        sections = left[(left["section_id"] != "") & ~(done > at)]
        done = left["circuit_id"].map(self.work.circuit["at"]).fillna(-np.inf)
        whole = left[(left["section_id"] == "") & ~left["named"] & ~(done > at)]
        return set(sections["section_id"]), set(whole["circuit_id"]) - {""}

    @cached_property
    def found_alone(self) -> pd.Series[float]:
        """By light, when a crew found a fault of its own and left it [instant]."""
        left = self.left_open
        left = left[
            ~left["cause"].isin([*FEED_CAUSES, "", "none", "unknown"])
            & (left["light_id"] != "")
        ]
        latest: pd.Series[float] = left.groupby("light_id")["happened"].max()
        return latest.astype(float)

    @cached_property
    def on_temporary_feed(self) -> set[str]:
        """Sections that a temporary feed stands in for."""
        known = self.register.known
        today = known.clock.at(known.as_of).date().isoformat()
        fed = answers(self.register)
        fed = fed[(fed["section_id"] != "")].sort_values("happened", kind="stable")
        last = fed.groupby("section_id")["temporary_feed_until"].last()
        return set(last.index[last >= today])

    def told_of(self, light_ids: Any) -> pd.DataFrame:
        """Return reports and sightings of some lights, oldest first."""
        return _some(self.told, self._told_of, light_ids)

    def passes(self, lights: pd.DataFrame, kind: str) -> pd.DataFrame:
        """Return when patrols passed lights and did not note them."""
        roads = set(lights["road_id"]) - {""}
        patrols = _some(self.patrols, self._patrols_of, roads)
        patrols = patrols[patrols["kind"] == kind]
        places = lights[["light_id", "road_id"]]
        passed = places.merge(
            patrols[["patrol_id", "road_id", "happened"]], on="road_id"
        )
        noted = _some(self.sightings, self._sightings_of, lights["light_id"])
        pairs = set(zip(noted["patrol_id"], noted["light_id"], strict=True))
        keys = zip(passed["patrol_id"], passed["light_id"], strict=True)
        kept = np.fromiter((key not in pairs for key in keys), bool, len(passed))
        return passed.loc[kept, ["light_id", "happened"]].rename(
            columns={"happened": "at"}
        )

    def _looks(
        self, lights: pd.DataFrame, told: pd.DataFrame, channel: Channel, hit: float
    ) -> pd.DataFrame:
        passed = self.passes(lights, channel.patrol)
        seen = told[told["seen"] & told["symptom"].isin(channel.symptoms)]
        parts = [
            pd.DataFrame({"light_id": passed["light_id"], "at": passed["at"],
                          "noted": False, "hit": hit}),
            pd.DataFrame({"light_id": seen["light_id"], "at": seen["at"],
                          "noted": True, "hit": hit}),
        ]  # fmt: skip
        if channel.by_feed:
            lit = ~told["symptom"].isin([*DARK, "knocked_down", "other"])
            crew = self.left_open
            crew = crew[(crew["symptom_found"] != "") & (crew["light_id"] != "")]
            parts += [
                pd.DataFrame({"light_id": told["light_id"][lit], "at": told["at"][lit],
                              "noted": False, "hit": POWERED}),
                pd.DataFrame({"light_id": crew["light_id"], "at": crew["happened"],
                              "noted": crew["symptom_found"].isin(DARK),
                              "hit": CREW_HIT}),
            ]  # fmt: skip
        frames = [part for part in parts if len(part)]
        return pd.concat(frames, ignore_index=True) if frames else parts[0]

    def tests(self, row: dict[str, int], since: np.ndarray) -> Tests:
        """Return readings of voltage that no later work has overtaken."""
        read = self.left_open
        read = read[read["volts"].notna()]
        light = read["light_id"].map(row).fillna(-1).astype(int).to_numpy()
        at = read["happened"].to_numpy(float)
        fresh = at > np.append(since, -np.inf)[light]
        good = fresh & ((light >= 0) | (read["section_id"] != "").to_numpy())
        return Tests(
            light[good],
            read["section_id"].to_numpy(object)[good],
            (self.register.as_of - at[good]) / DAY,
            (read["volts"].to_numpy(float) < LIVE_VOLTS)[good],
        )

    def observed(
        self, lights: pd.DataFrame, known: Experience, channel: Channel = DARKNESS
    ) -> tuple[Lights, Looks, Tests]:
        """Gather what was observed of some lights.

        Parameters
        ----------
        lights
            n rows of ``register.standing``.
        known
            Rates from the records.
        channel
            Which symptoms.
        """
        now = self.register.as_of
        ids = lights["light_id"].reset_index(drop=True)
        row = dict(zip(ids, range(len(ids)), strict=True))
        work = self.work.last(lights)
        moved = self.rewired.reindex(ids).to_numpy(float)
        since = np.fmax(work["at"].to_numpy(float), moved)
        proven = work["proven"].to_numpy(bool) & ~(moved >= since)
        told = self.told_of(ids)
        at = told["light_id"].map(row).to_numpy(int)
        told = told[~(told["at"].to_numpy(float) <= since[at])]
        by_people = told[told["symptom"].isin(channel.symptoms) & ~told["seen"]]
        first = by_people.drop_duplicates("light_id")
        which = first["light_id"].map(row).to_numpy(int)
        age = np.full(len(ids), np.nan)
        age[which] = (now - first["at"].to_numpy(float)) / DAY
        words = np.zeros(len(ids), dtype=int)
        words[which] = [channel.symptoms.index(one) for one in first["symptom"]]
        detected, symptom = known.detection, channel.symptoms[0]
        hit = detected.hit_chance(symptom)
        looks = self._looks(
            lights, told, channel, DAY_HIT if channel.patrol == "day" else hit
        )
        looks = looks[looks["light_id"].isin(row)]
        at = looks["light_id"].map(row).to_numpy(int)
        later = ~(looks["at"].to_numpy(float) <= since[at])
        looks, at = looks[later], at[later]
        per_night = detected.reported_per_day(ids, symptom)
        shared = "feed" if channel.by_feed else "group"
        own_words, shared_words = (
            np.array([known.said(cause, one, channel.symptoms)
                      for one in channel.symptoms])
            for cause in ("own", shared)
        )  # fmt: skip
        false = known.false_per_night
        own = known.own_per_year(ids, channel.symptoms)
        if channel.by_feed:
            own += known.besides_per_year(lights["feed_owner"].to_numpy() != "")
        signs = np.isfinite(age)
        signs[at[looks["noted"].to_numpy(bool)]] = True
        nearby = _misplaced(
            lights, signs, known.misplaced_share * float(per_night.mean())
        )
        seen_by_crew = self.found_alone.reindex(ids).to_numpy(float)
        own = own * np.where(seen_by_crew > np.fmax(since, -np.inf), FOUND, 1.0)
        return (
            Lights(
                since=np.where(np.isnan(since), np.inf, (now - since) / DAY),
                slip=np.where(proven, PROVEN_SLIP, known.slip),
                told=age,
                told_shared=shared_words[words],
                told_own=own_words[words],
                own_per_night=own / YEAR_NIGHTS,
                report_per_night=per_night,
                shared_report_per_night=per_night * known.crowd,
                false_per_night=nearby
                + sum(false.get(one, 0.0) for one in channel.symptoms),
            ),
            Looks(
                at,
                (now - looks["at"].to_numpy(float)) / DAY,
                looks["noted"].to_numpy(bool),
                looks["hit"].to_numpy(float),
            ),
            self.tests(row, since),
        )
