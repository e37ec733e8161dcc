"""What the records say of how often things fail and how they come to be known.

Nothing here is set by hand where the records can tell; where they are few, each rate
is drawn to what is assumed (:mod:`priors`) by as much as a few events weigh.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from lightwatch.decisions.triage import priors
from lightwatch.decisions.triage.channel import Channel
from lightwatch.decisions.triage.crowd import Crowd, crowd
from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.habits import (
    false_per_night,
    heard,
    level_of_work,
    noted_wrongly,
    source_faults,
    symptom_shares,
    wrong_shares,
)
from lightwatch.decisions.triage.hazards import hazards
from lightwatch.decisions.triage.misplaced import Misplaced, misplaced
from lightwatch.decisions.triage.priors import PARTS, Basis, Prior
from lightwatch.decisions.triage.waits import Waits, waits
from lightwatch.detection import Detection, detection, unheld
from lightwatch.kept import keeping
from lightwatch.lives import Lives
from lightwatch.nights import DAY, YEAR
from lightwatch.rates.feed_history import feed_ratios
from lightwatch.register import Register
from lightwatch.words import DARK, SUPPLY, UNANSWERED

YEAR_NIGHTS = YEAR / DAY

MISHAPS = ("vandalism", "theft", "knockdown", "unknown")
"""Causes of a dark light that are no part of it and no feed."""

FOUND = 1000.0
"""How many times likelier a crew is to find a fault where it is than where it is not;
no source."""

Named = str | tuple[str, str]
"""A rate by its name; a hazard by kind and type of part."""


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
        What is in place with its hazard; see :func:`hazards.hazards`.
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
        By symptom: lights of which it was reported [count]; the share of reports that
        a crew found to be of another light or of none.
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
    waits
        How long troubles stay open.
    basis
        What rates stand on, by name: so many records, and what was assumed before.
    """

    hazards: pd.DataFrame
    feed_ratio: dict[str, float]
    supply_per_year: float
    group_per_year: float
    damage_per_km_year: float
    false_per_night: dict[str, float]
    misplaced: Misplaced
    heard: dict[str, float]
    wrong: dict[str, float]
    noted_wrongly: float
    crowd: Crowd
    slip: float
    mishaps_per_year: float
    customers_per_year: float
    symptom_share: dict[tuple[str, str], float]
    detection: Detection
    waits: Waits
    basis: dict[Named, Basis] = field(default_factory=dict)

    def shows(self, cause: str, symptoms: tuple[str, ...]) -> float:
        """Share of a cause's failures that show as one of these symptoms.

        A cause that nobody has named yet shows as those of a light's own parts do.
        """
        return sum(self._shown(cause, name) for name in symptoms)

    def _shown(self, cause: str, symptom: str) -> float:
        usual = self.symptom_share.get(("own", symptom), 0.0)
        return self.symptom_share.get((cause, symptom), usual)

    def said(self, cause: str, symptom: str, among: tuple[str, ...]) -> float:
        """Chance that of these symptoms it is called this one, given the cause."""
        every = self.shows(cause, among)
        return self._shown(cause, symptom) / every if every else 1.0 / len(among)

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
        heard = np.array(
            [self.heard.get(one, 0) + priors.SHOWN[one] for one in symptoms]
        )
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
        group = self.of_controls.reindex(grid.circuits).fillna(self.group_per_year)
        return FeedRates(
            yearly,
            np.where(control == "group", group, 0.0),
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
    def of_controls(self) -> pd.Series:
        """Hazard of each circuit's group photocontrol, by its type and age [1/year]."""
        found = self.hazards
        controls = (found["kind"] == "photocontrol") & (found["light_id"] == "")
        return found[controls].groupby("circuit_id")["per_year"].sum()

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
        return float(feeds["per_year"].sum()) / km if km else PARTS["cable"].mean


def _mishaps(register: Register) -> tuple[int, int]:
    """Count lights dark by mishaps, and by a customer's feed."""
    known = register.known
    at_lights = known.repairs[known.repairs["light_id"] != ""]
    symptom = at_lights["report_id"].map(
        known.reports.set_index("report_id")["symptom"]
    )
    dark = at_lights[symptom.isin(DARK)]
    return (
        int(dark["cause"].isin(MISHAPS).sum()),
        int((dark["cause"] == "customer").sum()),
    )


def _watched_years(register: Register) -> float:
    """Return the years over which repairs are on record."""
    return max((register.watched_until - register.known.opened) / YEAR, 0.0)


def _of_feeds(lives: Lives) -> dict[str, tuple[int, float, Prior]]:
    """Return faults of feeds by name: how many, years or km-years, the assumption."""
    register, frame = lives.register, lives.frame
    known, years = register.known, _watched_years(lives.register)
    repairs = known.repairs
    feed = level_of_work(repairs) == "feed"
    feed &= ~repairs["action"].isin((*UNANSWERED, "no_fault_found"))
    whole = len(source_faults(repairs))
    stolen = feed & (repairs["cause"] == "theft")
    group = (frame["light_id"] == "") & (frame["kind"] == "photocontrol")
    sections = frame["kind"].isin(list(SUPPLY))
    spent = (frame["end"] - frame["start"]) / YEAR
    mishaps, customers = _mishaps(register)
    lights, fed = len(known.lights), int((known.lights["feed_owner"] != "").sum())
    km_years = float((spent * frame["weight"])[sections].sum())
    return {
        "supply": (whole, len(known.circuits) * years, priors.SUPPLY),
        "group": (
            int(frame["failed"][group].sum()),
            float(spent[group].sum()),
            priors.GROUP,
        ),
        "damage": (int(stolen.sum()), km_years, priors.DAMAGE),
        "mishap": (mishaps, lights * years, priors.MISHAPS),
        "customer": (customers, fed * years, priors.CUSTOMERS),
    }


@keeping
def experience(lives: Lives) -> Experience:
    """Read off the records all that verdicts rest on."""
    register = lives.register
    repairs = register.known.repairs
    level = level_of_work(repairs)
    mends = ~repairs["action"].isin((*UNANSWERED, "no_fault_found"))
    counts = _of_feeds(lives)
    rate = {
        name: prior.drawn(float(events), years)
        for name, (events, years, prior) in counts.items()
    }
    own, unhelpful = int((mends & (level == "own")).sum()), len(unheld(register))
    found, by_part = hazards(lives)
    detected, astray = detection(register), misplaced(register)
    of_lights = found.loc[found["light_id"] != "", "per_year"].sum()
    lights = max(len(register.standing), 1)
    false, false_seen = false_per_night(
        register, float(of_lights) / lights + rate["mishap"]
    )
    noted, noted_seen = noted_wrongly(register)
    basis: dict[Named, Basis] = {
        **by_part,
        **{name: Basis(n, prior) for name, (n, _, prior) in counts.items()},
        "false": Basis(false_seen, priors.FALSE),
        "misplaced": Basis(astray.answered, priors.MISPLACED),
        "slip": Basis(own, priors.SLIP),
        "crowd": Basis(int((mends & (level != "own")).sum()), priors.CROWD),
        "noted": Basis(noted_seen, priors.NOTED_WRONGLY),
    }
    return Experience(
        mishaps_per_year=rate["mishap"],
        customers_per_year=rate["customer"],
        hazards=found,
        feed_ratio=feed_ratios(lives),
        supply_per_year=rate["supply"],
        group_per_year=rate["group"],
        damage_per_km_year=rate["damage"],
        false_per_night=false,
        misplaced=astray,
        heard=heard(register),
        wrong=wrong_shares(register, astray.share),
        noted_wrongly=noted,
        crowd=crowd(register, detected, repairs[mends & (level != "own")]),
        slip=priors.SLIP.drawn(float(unhelpful), float(own)),
        symptom_share=symptom_shares(register),
        detection=detected,
        waits=waits(register, repairs[mends & (level != "own")]),
        basis=basis,
    )
