"""Failures, repairs and renewals: every component's lives, one generation at a time.

A trouble is one row: what failed, how it looks, when it was noticed and mended, and
whether a part that had not failed was changed first. Weather is met by thinning [1]_:
candidates are drawn at the worst month's hazard and kept with the chance that their
own month's hazard is of it, so that the hazard is exactly as stated.

References
----------
.. [1] P. A. W. Lewis and G. S. Shedler, Naval Research Logistics 26 (1979).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo_city.catalogue import Catalogue
from demo_city.days import YEAR_DAYS, Calendar, Floats, Ints, Texts
from demo_city.feeds import (
    CIRCUIT,
    DIRECT,
    LIGHT,
    OVERHEAD,
    SECTION,
    SECTION_KINDS,
    Feeds,
)
from demo_city.fitting import HID_KINDS, LED, LED_KINDS, Cuts, Fleet, Stints
from demo_city.noticing import DAYBURNING, Watch
from demo_city.parameters import SHOWS, SYMPTOMS, Parameters
from demo_city.weather import Climate

WRONG_PARTS = {
    "wiring": "photocontrol",
    "ballast": "lamp",
    "ignitor": "lamp",
    "led_module": "driver",
    "lamp": "photocontrol",
    "driver": "photocontrol",
    "photocontrol": "fuse",
    "cable": "photocontrol",
    "line": "photocontrol",
}
"""What a crew changes first when it misjudges the failure of a kind.

Kinds are simulated so that a part comes after every kind for which it is changed.
"""

ORDER = (
    "wiring",
    "ballast",
    "ignitor",
    "led_module",
    "lamp",
    "driver",
    "photocontrol",
    "fuse",
)
RECALL_DAYS = 26
FIRST_YEAR = 1970

Replacement = Callable[[Ints, Floats], Ints]


@dataclass(frozen=True)
class World:
    """All that stays as it is while things fail."""

    parameters: Parameters
    calendar: Calendar
    feeds: Feeds
    fleet: Fleet
    catalogue: Catalogue
    climate: Climate
    station: Ints
    watch: Watch

    def station_of(self, level: int, holder: Ints) -> Ints:
        """Return the weather station of lights, circuits or sections."""
        if level == CIRCUIT:
            return self.station[self.feeds.starts[CIRCUIT][holder]]
        return self.station[holder]


@dataclass(frozen=True)
class Hazards:
    """Weibull hazards of a set of holders, with weather.

    Parameters
    ----------
    shape, scale_days
        One per holder.
    ratio
        Hazard ratio, station by month.
    station, first_month
        Station of each holder; month of the first column.
    """

    shape: Floats
    scale_days: Floats
    ratio: Floats
    station: Ints
    first_month: int

    def failure(
        self,
        birth: Floats,
        since: Floats,
        stop: Floats,
        calendar: Calendar,
        rng: np.random.Generator,
    ) -> Floats:
        """Draw times of failure [days] after ``since``; beyond ``stop``: as good as never.

        Parameters
        ----------
        birth, since, stop
            Fitted, known to be alive, and end of interest [days].
        calendar
            The days.
        rng
            Random numbers.
        """
        worst = float(self.ratio.max())
        at = since.copy()
        pending = np.arange(at.size)
        while pending.size:
            shape, scale = self.shape[pending], self.scale_days[pending]
            spent = (np.maximum(at[pending] - birth[pending], 0) / scale) ** shape
            spent = spent + rng.exponential(size=pending.size) / worst
            at[pending] = birth[pending] + scale * spent ** (1 / shape)
            pending = pending[at[pending] < stop[pending]]
            month = calendar.month(at[pending]) - self.first_month
            month = np.clip(month, 0, self.ratio.shape[1] - 1)
            kept = self.ratio[self.station[pending], month]
            pending = pending[rng.random(pending.size) * worst >= kept]
        return at


def hazards_of(
    world: World, kind: str, model: Ints, birth: Floats, station: Ints
) -> Hazards:
    """Return the hazards of components, a bad batch counted in."""
    batch, catalogue = world.parameters.batch, world.catalogue
    if kind == "wiring":
        life = world.parameters.life("wiring", "unknown")
        shape = np.full(model.size, life.shape)
        scale = np.full(model.size, life.scale_years * YEAR_DAYS)
        effect = (life.freeze_thaw, life.wet)
    else:
        shape, scale = catalogue.shape[model], catalogue.scale_days[model]
        any_model = int(model[0]) if model.size else 0
        effect = (
            float(catalogue.freeze_thaw[any_model]),
            float(catalogue.wet[any_model]),
        )
    if batch and kind == "photocontrol":
        bad = model == catalogue.index(batch.model)
        bad &= world.calendar.year(birth) == batch.vintage
        scale = np.where(bad, scale / batch.hazard_factor ** (1 / shape), scale)
    ratio = world.climate.multiplier(*effect)
    return Hazards(shape, scale, ratio, station, world.climate.first_month)


def draw_symptoms(kind: str, types: Texts, rng: np.random.Generator) -> Ints:
    """Draw what failures of a kind look like."""
    found = np.zeros(types.size, dtype=np.int64)
    for type_ in dict.fromkeys(types):
        shares = SHOWS.get((kind, str(type_))) or SHOWS[kind, ""]
        codes = [SYMPTOMS.index(name) for name in shares]
        at = np.flatnonzero(types == type_)
        found[at] = rng.choice(codes, at.size, p=list(shares.values()))
    return found


def mend(
    world: World,
    kind: str,
    level: Ints,
    holder: Ints,
    failed_at: Floats,
    symptom: Ints,
    rng: np.random.Generator,
) -> dict[str, Floats | Ints]:
    """Draw how troubles are noticed and mended, some of them at the second try.

    Returns
    -------
    dict
        What :meth:`Watch.notice` gives, and ``wrong_at``, ``again_at`` (not a number:
        right at once) and ``repaired_at`` [days].
    """
    story = world.watch.notice(level, holder, failed_at, symptom, rng)
    parameters, feeds, calendar = world.parameters, world.feeds, world.calendar
    mean = np.where(level == SECTION, parameters.feed_visit_days, parameters.visit_days)
    mean = np.where(symptom == DAYBURNING, 2 * mean, mean)
    mean = np.where(symptom == SYMPTOMS.index("knocked_down"), 3 * mean, mean)

    def visit(after: Floats) -> Floats:
        wait = 1.0 + rng.gamma(2.0, np.maximum(mean - 1, 0.5) / 2)
        return calendar.working(after + wait, rng)

    noticed = np.asarray(story["noticed_at"])
    repaired = visit(noticed)
    many = feeds.dark_count(level, holder)
    wrong = rng.random(holder.size) < parameters.wrong_first_share / many**0.5
    wrong &= level != CIRCUIT
    part = WRONG_PARTS.get(kind)
    if part is None:
        wrong &= False
    elif part == "photocontrol":
        light = np.where(level == CIRCUIT, 0, holder)
        wrong &= world.fleet.own_control[light] & world.fleet.ours[light]
        wrong &= (repaired > world.fleet.start[light]) & (
            repaired < world.fleet.stop[light]
        )
    recall = np.floor(repaired) + rng.integers(1, RECALL_DAYS, holder.size)
    again = calendar.evening(recall, rng)
    story["wrong_at"] = np.where(wrong, repaired, np.nan)
    story["again_at"] = np.where(wrong, again, np.nan)
    story["repaired_at"] = np.where(wrong, visit(again), repaired)
    return story


def run(
    world: World,
    kind: str,
    cause: str,
    stints: Stints,
    hazards: Callable[[Ints, Floats, Ints], Hazards],
    replace: Replacement | None,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Live through stints: fail, be mended, and so on until the stint ends.

    Parameters
    ----------
    world
        The city.
    kind, cause
        Kind of component, and the cause that crews write.
    stints
        Where and when it hangs.
    hazards
        Hazards for places in the stints, births and models.
    replace
        Models fitted instead of failed ones at given times; None: mended in place,
        and age goes on.
    rng
        Random numbers.
    """
    end = world.calendar.end
    live = np.flatnonzero(stints.start < end)
    birth, since, model = stints.birth[live], stints.start[live], stints.model[live]
    parts = []
    while live.size:
        stop = np.minimum(stints.stop[live], end)
        hazard = hazards(live, birth, model)
        failed = hazard.failure(birth, since, stop, world.calendar, rng)
        now = np.flatnonzero(failed < stop)
        live, birth, model, failed = live[now], birth[now], model[now], failed[now]
        level = np.full(live.size, stints.level)
        holder = stints.holder[live]
        types = world.catalogue.types[model] if replace else np.full(live.size, "", object)
        shown = kind if stints.level != CIRCUIT else "group"
        shown = "feed" if stints.level == SECTION else shown
        symptom = draw_symptoms(shown, types, rng)
        story = mend(world, kind, level, holder, failed, symptom, rng)
        mended = np.asarray(story["repaired_at"])
        fitted = replace(model, mended) if replace else model
        parts.append(
            {
                "level": level,
                "holder": holder,
                "failed_at": failed,
                "symptom": symptom,
                "birth": birth,
                "model": model,
                "fitted": fitted,
                "stop": stints.stop[live],
                **story,
            }
        )
        birth = mended if replace else birth
        more = mended < np.minimum(stints.stop[live], end)
        live, birth, since, model = live[more], birth[more], mended[more], fitted[more]
    frame = pd.DataFrame(
        {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    )
    frame["kind"], frame["cause"] = kind, cause
    return frame


def replacement(world: World, kind: str, rng: np.random.Generator) -> Replacement:
    """Return how the store answers when a component of a kind has failed."""
    catalogue = world.catalogue
    if kind == "photocontrol":
        return lambda model, at: catalogue.photocontrols(at / YEAR_DAYS, rng)

    def same_type(model: Ints, at: Floats) -> Ints:
        fitted = model.copy()
        types = catalogue.types[model]
        for type_ in dict.fromkeys(types):
            here = np.flatnonzero(types == type_)
            fitted[here] = catalogue.choose(kind, str(type_), here.size, rng)
        return fitted

    return same_type


def lives_of(
    world: World, kind: str, stints: Stints, rng: np.random.Generator
) -> pd.DataFrame:
    """Return all troubles of one kind of component."""

    def hazards(place: Ints, birth: Floats, model: Ints) -> Hazards:
        station = world.station_of(stints.level, stints.holder[place])
        return hazards_of(world, kind, model, birth, station)

    replace = None if kind == "wiring" else replacement(world, kind, rng)
    return run(world, kind, kind, stints, hazards, replace, rng)


def feed_lives(world: World, section_kind: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return all faults of our sections of one kind; a mended one keeps its age."""
    feeds, calendar = world.feeds, world.calendar
    kind, cause = (
        ("line", "line_fault") if section_kind == OVERHEAD else ("cable", "cable_fault")
    )
    life = world.parameters.life(kind, SECTION_KINDS[section_kind])
    ours = (feeds.kind == section_kind) & (feeds.owner[feeds.circuit] == "")
    section = np.flatnonzero(ours)
    stints = Stints(
        SECTION,
        section,
        np.zeros(section.size),
        np.full(section.size, np.inf),
        -feeds.laid_years[section] * YEAR_DAYS,
        np.full(section.size, -1),
    )
    ratio = world.climate.multiplier(life.freeze_thaw, life.wet)
    km = feeds.length_m[section] / 1000
    scale = life.scale_years * YEAR_DAYS / km ** (1 / life.shape)
    shape = np.full(section.size, life.shape)

    def hazards(place: Ints, birth: Floats, model: Ints) -> Hazards:
        station = world.station[section[place]]
        first = world.climate.first_month
        return Hazards(shape[place], scale[place], ratio, station, first)

    frame = run(world, kind, cause, stints, hazards, None, rng)
    if section_kind != DIRECT:
        return frame
    return pd.concat(
        [frame, staged_faults(world, kind, cause, calendar.end, rng)], ignore_index=True
    )


def staged_faults(
    world: World, kind: str, cause: str, end: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Fault a few buried cables in the last week, reported and not yet mended."""
    feeds, count = world.feeds, world.parameters.staged_cable_faults
    dark = feeds.counts[SECTION]
    fit = (feeds.kind == DIRECT) & (feeds.owner[feeds.circuit] == "") & (dark >= 5)
    fit &= (dark <= 12) & (feeds.upstream >= 0)
    section = np.flatnonzero(fit)
    _, one = np.unique(feeds.circuit[section], return_index=True)
    holder = rng.permutation(section[one])[:count]
    size = holder.size
    failed = end - rng.uniform(6.2, 7.2, size)
    told = world.calendar.evening(failed, rng)
    nothing = np.full(size, np.nan)
    return pd.DataFrame(
        {
            "level": np.full(size, SECTION),
            "holder": holder,
            "failed_at": failed,
            "symptom": np.zeros(size, dtype=np.int64),
            "birth": -feeds.laid_years[holder] * YEAR_DAYS,
            "model": np.full(size, -1),
            "fitted": np.full(size, -1),
            "stop": np.full(size, np.inf),
            "reported_at": told,
            "seen_at": np.full(size, np.inf),
            "seen_light": np.full(size, -1),
            "seen_by": np.zeros(size, dtype=np.int64),
            "seen_round": np.zeros(size, dtype=np.int64),
            "noticed_at": told,
            "wrong_at": nothing,
            "again_at": nothing,
            "repaired_at": np.floor(end) + 6.4 + rng.uniform(0, 9, size),
            "kind": kind,
            "cause": cause,
        }
    )


def wrong_cuts(world: World, troubles: pd.DataFrame, rng: np.random.Generator) -> Cuts:
    """Return what the wrong first repairs of these troubles took off and fitted."""
    wrong = troubles["wrong_at"].notna() & (troubles["wrong_at"] < troubles["stop"])
    wrong &= troubles["wrong_at"] < world.calendar.end
    rows = np.flatnonzero(wrong.to_numpy())
    light = troubles["holder"].to_numpy()[rows]
    at = troubles["wrong_at"].to_numpy()[rows]
    part = WRONG_PARTS[str(troubles["kind"].iloc[0])] if len(troubles) else "fuse"
    model = fitted_to(world, part, light, at, rng)
    return Cuts(light, at, at, model)


def fitted_to(
    world: World, kind: str, light: Ints, at: Floats, rng: np.random.Generator
) -> Ints:
    """Draw the models of a kind that fit lights at given times."""
    fleet, catalogue = world.fleet, world.catalogue
    if kind == "photocontrol":
        return catalogue.photocontrols(at / YEAR_DAYS, rng)
    if kind == "fuse":
        return catalogue.choose("fuse", "any", light.size, rng)
    if kind in LED_KINDS:
        return catalogue.choose(kind, "led", light.size, rng)
    model = np.full(light.size, -1)
    for tech, name in enumerate(("hps", "mh")):
        here = np.flatnonzero(fleet.technology[light] == tech)
        model[here] = catalogue.choose(kind, name, here.size, rng)
    return model


def is_led(world: World, light: Ints, at: Floats) -> np.ndarray:
    """Return whether lights were LED at given times."""
    fleet = world.fleet
    return (fleet.technology[light] == LED) | (fleet.converted_at[light] <= at)


__all__ = ["HID_KINDS", "LIGHT", "ORDER", "Hazards", "World", "run"]
