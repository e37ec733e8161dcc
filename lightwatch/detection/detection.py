"""How soon trouble is noticed.

People report a light at a rate: it is read off troubles that are known to be there
already, from their first sign to their repair, by what further reports come in. Patrols
notice it when they pass, with a chance for each state: it is read off the passes over
lights already reported and not yet repaired. Both grow thin by state, so each is drawn
towards that of all states by as much as a few observations weigh. Where a light stands
matters too: see :mod:`lightwatch.detection.places`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from lightwatch.detection.episodes import (
    episodes,
    night_passes,
    of_faults,
)
from lightwatch.detection.moments import Floats, Moments
from lightwatch.detection.places import Places, fit_places
from lightwatch.detection.signs import signs
from lightwatch.kept import keeping
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.reach import reach

LIKE = 3.0
"""How many observations the usual state weighs against those of one."""

OWN = 30.0
"""How many reports the ratio of all states weighs against a state's own."""

ENOUGH = 10.0
"""Reports that a state should have had, to count among all states."""

SHORT_DAYS = 30.0
"""What is open for longer is often not one trouble."""

SURE = 0.8
"""A patrol that notes this share of lights in a state, and did not, proves it lit."""

SPREAD_DAYS = 720

UNSEEN_PER_DAY, UNSEEN_HIT = 0.05, 0.9
"""Rate of reports [1/day], and chance that a patrol notes, before any is on record. The
rate lies between 0.005 (7 % out at an inspection where 12.5 % fail a year) and 0.12 (a
third told of before the weekly inspection), published by two cities; the chance has no
source."""


@dataclass(frozen=True)
class Detection:
    """How soon trouble is noticed, by symptom and place.

    Parameters
    ----------
    per_day
        Rate of reports on an average light in trouble [1/day].
    hit
        Chance that a passing night patrol notes it.
    passes_per_day
        How often a night patrol passes a light [1/day].
    usual_per_day, usual_hit
        The same of the usual symptom, for one that was never seen.
    evidence
        On how many reports the rate of each symptom rests.
    places
        By how much sooner lights are reported, by class of road and district.
    """

    per_day: dict[str, float]
    hit: dict[str, float]
    passes_per_day: float
    usual_per_day: float
    usual_hit: float
    evidence: dict[str, float] = field(default_factory=dict)
    places: Places = field(default_factory=Places)

    def hit_chance(self, symptom: str) -> float:
        """Chance that a passing night patrol notes a light with this symptom."""
        return self.hit.get(symptom, self.usual_hit)

    def hit_chances(self, symptoms: Sequence[str]) -> Floats:
        """Chance that a passing night patrol notes lights with these symptoms."""
        return _by_word(symptoms, self.hit_chance)

    def reported_per_day(self, light_ids: pd.Series[Any], symptom: str) -> Floats:
        """Rate at which people report each light, were it in such trouble [1/day].

        That of the symptom, times the ratio of the light's road class, times that of
        its district; a light not on record counts as an average one.
        """
        usual = self.per_day.get(symptom, self.usual_per_day)
        return usual * self.places.ratio(light_ids)

    def noticed_per_day(self, symptom: str) -> float:
        """Rate at which an average light so in trouble comes to be noticed [1/day]."""
        reported = self.per_day.get(symptom, self.usual_per_day)
        return reported + self.hit_chance(symptom) * self.passes_per_day

    def reported_per_day_at(
        self, light_ids: pd.Series[Any], symptoms: Sequence[str]
    ) -> Floats:
        """Rate at which people report each light, each with its symptom [1/day]."""
        usual = self.usual_per_day
        rate = _by_word(symptoms, lambda one: self.per_day.get(one, usual))
        return np.asarray(rate * self.places.ratio(light_ids))

    def noticed_per_day_at(
        self, light_ids: pd.Series[Any], symptoms: Sequence[str]
    ) -> Floats:
        """Rate at which each light, each with its symptom, is noticed [1/day]."""
        hit = self.hit_chances(symptoms)
        by_people = self.reported_per_day_at(light_ids, symptoms)
        return np.asarray(by_people + hit * self.passes_per_day)

    def mean_delay_days(self, symptom: str) -> float:
        """Mean time from failing to being noticed [days]."""
        return 1.0 / self.noticed_per_day(symptom)

    def noticed_within(self, symptom: str) -> np.ndarray:
        """Chance to have been noticed within 0, 1, 2, ... days of failing."""
        days = np.arange(SPREAD_DAYS + 1)
        chance: np.ndarray = -np.expm1(-self.noticed_per_day(symptom) * days)
        return chance

    def evidence_of(self, symptoms: Sequence[str]) -> Floats:
        """On how many reports, the usual ones included, each symptom's rate rests."""
        return _by_word(symptoms, lambda one: self.evidence.get(one, LIKE))


def _by_word(words: Sequence[str], number: Callable[[str], float]) -> Floats:
    """Return the number of each word, asked for once a word."""
    code, unique = pd.factorize(np.asarray(words, dtype=object))
    numbers = np.array([number(one) for one in unique], dtype=float)
    return np.asarray(numbers[code])


def _drawn(
    events: pd.Series[float], trials: pd.Series[float], unseen: float
) -> tuple[dict[str, float], float]:
    """Return the ratio of events to trials by symptom, each drawn to the usual one.

    The usual ratio is the mean over symptoms, not over events: a symptom that was
    never seen is as likely like any of them. Each counts for as much as it was seen.
    With nothing seen it is ``unseen``, which weighs as half an event.
    """
    if events.empty:
        return {}, unseen
    own = (events + 0.5) / (trials + 0.5 / unseen)
    usual = float(np.average(own, weights=(events + 0.5) / (events + LIKE)))
    ratio = (events + LIKE) / (trials + LIKE / usual)
    return {str(name): float(one) for name, one in ratio.items()}, usual


def _reporting(
    register: Register, frame: pd.DataFrame, told: pd.DataFrame
) -> pd.DataFrame:
    """Return the reports on each trouble, and the days over which they came.

    What a patrol found first shows how soon a first report comes. Where people were
    first, further reports come more slowly: how much is read off the states of which
    there are both, and their days count for as much less. Only the first days of a
    trouble count: what is open for long began, often, with a report of something else;
    and only those before a crew came: that it is still dark after that is told sooner.
    """
    repairs = register.known.repairs
    visits = Moments.of(repairs["light_id"], repairs["happened"] / DAY)
    reports = told[~told["by_patrol"]]
    light = frame["light_id"]
    times = Moments.of(reports["light_id"], reports["day"]).at(light)
    begun = frame["noticed"].to_numpy()
    visited, _ = visits.at(light).next(begun)
    ended = np.minimum(np.minimum(frame["mended"], visited), begun + SHORT_DAYS)
    ended = ended.to_numpy()
    report, _ = times.next(begun)
    further = times.count(begun, ended)
    found = frame["by_patrol"].to_numpy(bool)
    table = pd.DataFrame(
        {
            "light_id": frame["light_id"].to_numpy(),
            "symptom": frame["symptom"].to_numpy(),
            "found": found,
            "reports": np.where(found, report <= ended, further),
            "days": np.where(found, np.minimum(report, ended), ended) - begun,
        }
    )
    sums = table.groupby(["symptom", "found"])[["reports", "days"]].sum().unstack()
    sums = sums.reindex(
        columns=pd.MultiIndex.from_product([["reports", "days"], [False, True]])
    ).fillna(0.0)
    slower = np.where(found, 1.0, table["symptom"].map(_slower(sums)))
    return table.assign(days=table["days"] * slower)


def _slower(sums: pd.DataFrame) -> pd.Series[float]:
    """Return by how much further reports come more slowly than a first one.

    Each state's own ratio is drawn to that of all states together.
    """
    rate = (sums["reports", True] + 0.5) / (sums["days", True] + 1.0)
    found = sums["days", True] > 0
    expected = (rate * sums["days", False]).where(found, 0.0)
    seen = sums["reports", False].where(found, 0.0)
    well_seen = expected >= ENOUGH
    whole = float((seen / expected)[well_seen].mean()) if well_seen.any() else 1.0
    return ((seen + OWN * whole) / (expected + OWN)).clip(0.1, 1.0)


def _patrolling(register: Register, frame: pd.DataFrame) -> pd.DataFrame:
    """Count passes over lights known to be in trouble, and what was noted.

    Troubles open for long are left out: among them are reports of something else.
    """
    sightings = register.known.sightings
    short = frame[frame["mended"] - frame["noticed"] <= SHORT_DAYS]
    seen = Moments.of(
        _state(sightings["light_id"], sightings["state"]), sightings["happened"] / DAY
    )
    begun, ended = short["noticed"].to_numpy(), short["mended"].to_numpy() - 0.5
    passes = night_passes(register).at(short["road_id"]).count(begun, ended)
    states = seen.at(_state(short["light_id"], short["symptom"]))
    noted = states.count(begun, ended + 0.5)
    table = pd.DataFrame(
        {
            "symptom": short["symptom"].to_numpy(),
            "passes": passes,
            "noted": np.minimum(noted, passes),
        }
    )
    return table.groupby("symptom").sum()


def _state(lights: pd.Series[str], symptoms: pd.Series[str]) -> pd.Series[str]:
    """Name a light together with its state; out is out, alone or with others."""
    return lights + "|" + symptoms.replace("group_out", "out")


@keeping
def detection(register: Register) -> Detection:
    """Read off the records how soon trouble is noticed."""
    frame = of_faults(episodes(register))
    frame = frame[frame["told"] & (frame["mended"] > frame["noticed"])]
    told = signs(register)
    reporting = _reporting(register, frame, told)
    places = fit_places(register, reporting)
    days = reporting["days"] * places.ratio(reporting["light_id"])
    sums = reporting.assign(days=days).groupby("symptom")[["reports", "days"]].sum()
    per_day, usual = _drawn(sums["reports"], sums["days"], UNSEEN_PER_DAY)
    patrolling = _patrolling(register, frame)
    hit, usual_hit = _drawn(patrolling["noted"], patrolling["passes"], UNSEEN_HIT)
    lights = register.known.lights
    passes = night_passes(register)
    until = reach(register).patrols or register.as_of
    span = max((until - register.known.opened) / DAY, 1.0)
    ends = np.full(len(lights), until / DAY)
    count = passes.at(lights["road_id"]).count(ends - span, ends).sum()
    return Detection(
        per_day,
        {name: min(one, 1.0) for name, one in hit.items()},
        float(count) / (max(len(lights), 1) * span),
        usual,
        min(usual_hit, 1.0),
        {str(name): float(one) + LIKE for name, one in sums["reports"].items()},
        places,
    )
