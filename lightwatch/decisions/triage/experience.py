"""What the records say of how often things fail and how they come to be known.

Nothing here is set by hand where the records can tell; where they are few, each rate
is drawn to a usual one by as much as a few observations weigh.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from lightwatch.decisions.triage.channel import Channel
from lightwatch.decisions.triage.crowd import Crowd, crowd
from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.misplaced import Misplaced, misplaced
from lightwatch.detection import Detection, detection, unheld
from lightwatch.lives import Lives
from lightwatch.nights import DAY, YEAR
from lightwatch.rates.feed_history import feed_history
from lightwatch.rates.hazards import hazards_now
from lightwatch.register import Register
from lightwatch.words import DARK, SUPPLY, UNANSWERED, resources

YEAR_NIGHTS = YEAR / DAY

FEED_CAUSES = (*SUPPLY, *SUPPLY.values(), "supply", "fuse", "theft")
"""Causes of a fault on the feed, where the work was on a section or a whole circuit."""

MISHAPS = ("vandalism", "theft", "knockdown", "unknown")
"""Causes of a dark light that are no part of it and no feed."""

FOUND = 1000.0
"""How many times likelier a crew is to find a fault where it is than where it is not;
no source."""

SYMPTOMS = sorted(
    next(
        field.allowed or frozenset()
        for field in resources()["reports"].fields
        if field.name == "symptom"
    )
)

USUAL_FALSE = 5e-5
"""Reports of a light where nothing is wrong, before any is on record [1/night]; as
good as half a report, no source."""

USUAL_NOTED_WRONGLY = 1e-3
"""Notes of a patrol where nothing is wrong, before any is on record, by light passed;
as good as half a note, no source."""

UNKNOWN_PER_KM_YEAR = 0.1
"""Faults of a feed where no section is on record [1/(km year)]; no source."""

_LIKE = 10.0
_SOON_DAYS = 30.0
_HALF = 0.5
_RARE = 0.1
"""Of each symptom a cause counts as seen so many times more than it was."""


@dataclass(frozen=True)
class ChannelRates:
    """What one channel needs, of every light of a network.

    Parameters
    ----------
    own_per_night
        Shape (lights,): hazard of coming to show it by itself [1/night].
    reported_per_night
        Shape (lights,): rate of reports, were it in such trouble [1/night].
    said_own, said_shared, said_any
        By symptom, how often it is called so: alone, with others, in all reports.
    false_per_night
        By symptom, rate of reports of it where nothing is wrong [1/night].
    hit
        Chance that a night patrol notes it.
    """

    own_per_night: np.ndarray
    reported_per_night: np.ndarray
    said_own: np.ndarray
    said_shared: np.ndarray
    said_any: np.ndarray
    false_per_night: np.ndarray
    hit: float


@dataclass(frozen=True)
class FeedRates:
    """Hazards of the feeds of a network [1/year].

    ``section`` by number of section, NaN where nothing is on record; ``group`` and
    ``supply`` by number of circuit: its group photocontrol, its supply or main fuse.
    """

    section: np.ndarray
    group: np.ndarray
    supply: np.ndarray


@dataclass(frozen=True)
class Experience:
    """Rates from the records; none is zero.

    Parameters
    ----------
    hazards
        What is in place with its hazard; see :func:`hazards_now`.
    feed_ratio
        By circuit: supply faults against those expected of its kind, shrunk.
    supply_per_year
        Of a circuit's main supply or main fuse [1/year].
    damage_per_km_year
        Of sections by theft and the like [1/(km year)].
    false_per_night
        By symptom: reports of a light where nothing is wrong [1/night].
    misplaced
        How often, and how, reports name another light than is meant.
    heard, wrong
        By symptom: reports of it [count]; their share that a crew found to be of
        another light or of none.
    noted_wrongly
        Chance that a patrol notes a light where nothing is wrong.
    crowd
        How lights dark with others are reported, against one dark alone.
    slip
        Chance that a repair left the light dark.
    mishaps_per_year
        Of a light going dark by what is no part of it, vandals and the like [1/year].
    customers_per_year
        Of a light fed by a customer going dark by that feed [1/year].
    symptom_share
        By cause and symptom: how often that cause was reported as that symptom.
        Cause ``feed`` stands for all faults of the feed, ``group`` for group
        photocontrols, ``own`` for all components of a light.
    """

    hazards: pd.DataFrame
    feed_ratio: dict[str, float]
    supply_per_year: float
    group_per_year: float
    damage_per_km_year: float
    false_per_night: dict[str, float]
    misplaced: Misplaced
    heard: dict[str, int]
    wrong: dict[str, float]
    noted_wrongly: float
    crowd: Crowd
    slip: float
    mishaps_per_year: float
    customers_per_year: float
    symptom_share: dict[tuple[str, str], float]
    detection: Detection

    def shows(self, cause: str, symptoms: tuple[str, ...]) -> float:
        """Share of a cause's failures that show as one of these symptoms."""
        return sum(self.symptom_share.get((cause, name), 0.0) for name in symptoms)

    def said(self, cause: str, symptom: str, among: tuple[str, ...]) -> float:
        """Chance that of these symptoms it is called this one, given the cause."""
        every = self.shows(cause, among)
        share = self.symptom_share.get((cause, symptom), 0.0)
        return share / every if every else 1.0 / len(among)

    @cached_property
    def of_lights(self) -> pd.DataFrame:
        """Hazard of each light [1/year], a column for each kind of component."""
        own = self.hazards[self.hazards["light_id"] != ""]
        return own.pivot_table("per_year", "light_id", "kind", "sum", fill_value=0.0)

    def of_channel(self, grid: Grid, channel: Channel) -> ChannelRates:
        """Return what a channel needs of every light of a network."""
        symptoms, table = channel.symptoms, self.of_lights
        share = np.array([self.shows(str(kind), symptoms) for kind in table.columns])
        usual = float((table.mean() * share).sum()) if len(table) else 0.01
        found = table.reindex(grid.light_ids).to_numpy(float) @ share
        own = np.where(np.isnan(found), usual, found)
        if channel.by_feed:
            by_customer = grid.lights["feed_owner"].to_numpy() != ""
            own += self.mishaps_per_year + self.customers_per_year * by_customer
        shared = "feed" if channel.by_feed else "group"
        detected, first = self.detection, symptoms[0]
        heard = np.array([self.heard.get(one, 0) + _HALF for one in symptoms])
        return ChannelRates(
            own / YEAR_NIGHTS,
            detected.reported_per_day(pd.Series(grid.light_ids), first),
            np.array([self.said("own", one, symptoms) for one in symptoms]),
            np.array([self.said(shared, one, symptoms) for one in symptoms]),
            heard / heard.sum(),
            np.array([self.false_per_night.get(one, 0.0) for one in symptoms]),
            detected.hit_chance(first),
        )

    def of_feeds(
        self, grid: Grid, temporary: set[str], found: tuple[set[str], set[str]]
    ) -> FeedRates:
        """Return the hazards of all feeds as they stand.

        Parameters
        ----------
        grid
            The network.
        temporary
            Sections that a temporary line stands in for.
        found
            Sections and circuits on which a crew found a fault and left it.
        """
        ids = grid.section_ids
        yearly = self.of_sections.reindex(ids).to_numpy(float)
        yearly = np.where(ids.isin(temporary), self.line_per_km_year * grid.km, yearly)
        yearly = (yearly + self.damage_per_km_year * grid.km) * np.where(
            ids.isin(found[0]), FOUND, 1.0
        )
        circuits = grid.register.known.circuits.set_index("circuit_id")
        control = circuits["control"].reindex(grid.circuits)
        return FeedRates(
            yearly,
            np.where(control == "group", self.group_per_year, 0.0),
            self.supply_per_year
            * control.notna().to_numpy()
            * np.where(grid.circuits.isin(found[1]), FOUND, 1.0),
        )

    @cached_property
    def of_sections(self) -> pd.Series:
        """Hazard of each section for its whole length [1/year]."""
        feeds = self.hazards[self.hazards["kind"].isin(list(SUPPLY))]
        ratio = feeds["circuit_id"].map(self.feed_ratio).fillna(1.0)
        return (feeds["per_year"] * ratio).groupby(feeds["section_id"]).sum()

    @cached_property
    def line_per_km_year(self) -> float:
        """Mean hazard of overhead line [1/(km year)], as temporary feeds are."""
        lines = self.hazards[self.hazards["kind"] == "line"]
        per_km = lines["per_year"] / lines["km"]
        return float(per_km.mean()) if len(lines) else self.usual_per_km_year

    @cached_property
    def usual_per_km_year(self) -> float:
        """Mean hazard of sections [1/(km year)], for stretches not on record."""
        feeds = self.hazards[self.hazards["kind"].isin(list(SUPPLY))]
        km = float(feeds["km"].sum())
        return float(feeds["per_year"].sum()) / km if km else UNKNOWN_PER_KM_YEAR


def level_of_work(repairs: pd.DataFrame) -> np.ndarray:
    """Name what each repair was about: a light's own part, the feed, the group."""
    shared = (repairs["light_id"] == "") & ~repairs["named"]
    feed = shared & repairs["cause"].isin(FEED_CAUSES)
    group = shared & (repairs["cause"] == "photocontrol")
    return np.select([feed, group], ["feed", "group"], "own")


def _symptoms(register: Register) -> dict[tuple[str, str], float]:
    """Return how often each cause was reported as each symptom."""
    reports = register.known.reports.set_index("report_id")["symptom"]
    repairs = register.known.repairs
    answered = repairs[
        (repairs["report_id"] != "") & ~repairs["action"].isin(UNANSWERED)
    ]
    answered = answered[~answered.index.isin(unheld(register))]
    symptom = answered["report_id"].map(reports)
    level = pd.Series(level_of_work(answered), answered.index)
    own = answered["cause"].where(level == "own", "")
    counts = pd.concat([pd.crosstab(level, symptom), pd.crosstab(own, symptom)])
    counts = counts[counts.index != ""].groupby(level=0).sum()
    counts = counts.reindex(columns=SYMPTOMS, fill_value=0)
    for cause in {"feed", "group", "own"} - set(counts.index):
        counts.loc[cause] = 0
    usual = (counts.sum() + _HALF) / (counts.sum() + _HALF).sum()
    like = pd.DataFrame([usual] * len(counts), index=counts.index)
    like = like.clip(lower=_RARE)
    like.loc["feed"] = 0.0
    like.loc["feed", list(DARK)] = [0.7, 0.3]
    shares = (counts + like).div((counts + like).sum(axis=1), axis=0)
    return {
        (str(cause), str(name)): float(shares.at[cause, name])
        for cause in shares.index
        for name in shares.columns
    }


def _false_per_night(register: Register) -> dict[str, float]:
    """Return visits that found no fault, per light and night, by what was reported."""
    known = register.known
    symptoms = known.reports.set_index("report_id")["symptom"]
    false = known.repairs[known.repairs["action"] == "no_fault_found"]
    counts = false["report_id"].map(symptoms).value_counts()
    nights = len(known.lights) * max((register.watched_until - known.opened) / DAY, 1.0)
    return {
        name: float(counts.get(name, 0) + _HALF) / (nights + _HALF / USUAL_FALSE)
        for name in SYMPTOMS
    }


def _wrong(register: Register, astray: float) -> dict[str, float]:
    """Return the share of reports that were of another light or of none, by symptom."""
    known = register.known
    told = known.reports.set_index("report_id")["symptom"]
    answered = known.repairs[~known.repairs["action"].isin(UNANSWERED)]
    symptom = answered["report_id"].map(told)
    every = symptom.value_counts()
    false = symptom[answered["action"] == "no_fault_found"].value_counts()
    found = {
        name: (false.get(name, 0) + _HALF) / (every.get(name, 0) + _LIKE)
        for name in SYMPTOMS
    }
    return {
        name: float(1 - (1 - share) * (1 - astray)) for name, share in found.items()
    }


def _noted_wrongly(register: Register) -> float:
    """Return lights that a patrol noted and a crew found in order, by light passed."""
    known = register.known
    repairs, sightings = known.repairs, known.sightings
    none = repairs[
        (repairs["action"] == "no_fault_found") & (repairs["light_id"] != "")
    ]
    found = none[["light_id", "happened"]].rename(columns={"happened": "crew"})
    both = found[none["report_id"] == ""].merge(sightings, on="light_id")
    days = (both["crew"] - both["happened"]) / DAY
    wrong = both[(days > 0) & (days < _SOON_DAYS)]["light_id"].nunique()
    on_road = known.lights["road_id"].value_counts()
    passed = float(known.patrols["road_id"].map(on_road).fillna(0.0).sum())
    return float(wrong + _HALF) / (passed + _HALF / USUAL_NOTED_WRONGLY)


def _mishaps(register: Register) -> tuple[float, float]:
    """Return how often lights go dark by mishaps, and by a customer's feed."""
    known = register.known
    repairs = known.repairs
    at_lights = repairs[repairs["light_id"] != ""]
    symptom = at_lights["report_id"].map(
        known.reports.set_index("report_id")["symptom"]
    )
    dark = at_lights[symptom.isin(DARK)]
    years = max((register.watched_until - known.opened) / YEAR, 0.1)
    fed = (known.lights["feed_owner"] != "").sum()
    mishaps = dark["cause"].isin(MISHAPS).sum()
    customers = (dark["cause"] == "customer").sum()
    return (
        float(mishaps + _HALF) / max(len(known.lights) * years, 10.0),
        float(customers + _HALF) / max(fed * years, 10.0),
    )


def _per_circuit(register: Register, chosen: pd.Series) -> float:
    known = register.known
    years = len(known.circuits) * max(
        (register.watched_until - known.opened) / YEAR, 0.0
    )
    return float(chosen.sum() + _HALF) / max(years, 1.0)


def experience(lives: Lives) -> Experience:
    """Read off the records all that verdicts rest on."""
    register = lives.register
    repairs = register.known.repairs
    level = level_of_work(repairs)
    mends = ~repairs["action"].isin((*UNANSWERED, "no_fault_found"))
    whole = mends & (level == "feed") & (repairs["section_id"] == "")
    frame = lives.frame
    group = (frame["light_id"] == "") & (frame["kind"] == "photocontrol")
    group_years = float(((frame["end"] - frame["start"]) / YEAR)[group].sum())
    feeds = frame["kind"].isin(list(SUPPLY))
    km_years = (frame["end"] - frame["start"]) / YEAR * frame["weight"]
    stolen = mends & (level == "feed") & (repairs["cause"] == "theft")
    own = mends & (level == "own")
    detected = detection(register)
    mishaps, customers = _mishaps(register)
    astray = misplaced(register)
    return Experience(
        mishaps_per_year=mishaps,
        customers_per_year=customers,
        hazards=hazards_now(lives),
        feed_ratio={one.circuit_id: one.ratio for one in feed_history(lives)},
        supply_per_year=_per_circuit(register, whole),
        group_per_year=(frame["failed"][group].sum() + _HALF) / max(group_years, 1.0),
        damage_per_km_year=(stolen.sum() + _HALF)
        / max(float(km_years[feeds].sum()), 10.0),
        false_per_night=_false_per_night(register),
        misplaced=astray,
        heard=register.known.reports["symptom"].value_counts().to_dict(),
        wrong=_wrong(register, astray.share),
        noted_wrongly=_noted_wrongly(register),
        crowd=crowd(register, detected, repairs[mends & (level != "own")]),
        slip=float(len(unheld(register)) + 1.0) / float(own.sum() + 50.0),
        symptom_share=_symptoms(register),
        detection=detected,
    )
