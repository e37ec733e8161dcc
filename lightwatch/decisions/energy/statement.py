"""An unmetered energy statement: what lights burnt, by technology and month.

The register is the meter: input watts, as they changed, times the hours from dusk to
dawn by the sun. A light that burns by day burns more, which is said apart; what lights
that were dark did not burn is not taken off, and is said apart as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.energy.watts import watts
from lightwatch.decisions.triage.signs import Signs
from lightwatch.detection.episodes import episodes
from lightwatch.nights import DAY, SECOND
from lightwatch.nights.darkness import BURN_DEG, Burning, Place
from lightwatch.register import Register
from lightwatch.words import DARK

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One month and technology.

    Parameters
    ----------
    month
        YYYY-MM.
    technology
        Of the lights.
    light_days
        Lights times days in service [d].
    kilowatts
        Mean load when lit [kW].
    burn_hours
        From dusk to dawn in the month [h].
    kwh
        Energy [kWh].
    """

    month: str
    technology: str
    light_days: float
    kilowatts: float
    burn_hours: float
    kwh: float


@dataclass(frozen=True)
class Change:
    """One change of the register within the time of the statement."""

    light_id: str
    day: str
    what: str
    before_watts: float | None
    after_watts: float | None


@dataclass(frozen=True)
class Statement:
    """What was burnt from ``begins`` to ``ends`` (dates, the last not included).

    Parameters
    ----------
    lines
        By month and technology.
    by_day_kwh, by_day_hours, by_day_lights
        What known day burning added.
    dark_kwh, dark_lights
        What known darkness did not burn; not taken off.
    without_watts
        Lights in service in that time of which nobody says the watts.
    fed_by_others
        Lights left out because somebody else feeds, and pays for, them.
    changes
        In order of time.
    """

    begins: str
    ends: str
    level_deg: float
    lines: tuple[Line, ...]
    by_day_kwh: float
    by_day_hours: float
    by_day_lights: int
    dark_kwh: float
    dark_lights: int
    without_watts: tuple[str, ...]
    fed_by_others: int
    changes: tuple[Change, ...]

    @property
    def kwh(self) -> float:
        """Energy from dusk to dawn [kWh]."""
        return sum(one.kwh for one in self.lines)


def _spans(register: Register, start: float, end: float) -> pd.DataFrame:
    """Return how lights of ours stood: watts and technology, within a time."""
    known = register.known
    lights = known.lights[known.lights["feed_owner"] == ""]
    entered = lights["entered"].astype(float).fillna(-np.inf)
    removed = lights["removed"].astype(float).fillna(np.inf)
    life = pd.DataFrame(
        {"light_id": lights["light_id"], "first": entered, "last": removed}
    )
    load = watts(known).merge(life, on="light_id")
    load = load.assign(
        since=load[["since", "first"]].max(axis=1).clip(lower=start),
        until=load[["until", "last"]].min(axis=1).clip(upper=end),
    )
    load = load[load["until"] > load["since"]]
    kind = register.spans[["light_id", "since", "until", "technology"]]
    both = load.merge(kind, on="light_id", suffixes=("", "_kind"))
    both["since"] = both[["since", "since_kind"]].max(axis=1)
    both["until"] = both[["until", "until_kind"]].min(axis=1)
    both = both[both["until"] > both["since"]]
    return both[["light_id", "since", "until", "watts", "technology"]]


def _lines(
    spans: pd.DataFrame, burning: Burning, months: Sequence[tuple[str, int, int]]
) -> tuple[Line, ...]:
    found = []
    for month, first, last in months:
        since = spans["since"].clip(lower=first).to_numpy(float)
        until = spans["until"].clip(upper=last).to_numpy(float)
        here = until > since
        some, since, until = spans[here], since[here], until[here]
        hours = burning.of(since, until)
        frame = pd.DataFrame(
            {
                "technology": some["technology"].to_numpy(object),
                "days": (until - since) / DAY,
                "kwh": hours * some["watts"].fillna(0.0).to_numpy(float) / 1000,
            }
        )
        dark = float(burning.of(np.array([first]), np.array([last]))[0])
        for technology, one in frame.groupby("technology", sort=True):
            kwh = float(one["kwh"].sum())
            found.append(
                Line(
                    month,
                    str(technology) or "unknown",
                    float(one["days"].sum()),
                    kwh / dark if dark else 0.0,
                    dark,
                    kwh,
                )
            )
    return tuple(found)


def _troubles(register: Register, start: float, end: float) -> pd.DataFrame:
    """Return when lights were known to burn by day, or to be dark, within a time."""
    frame = episodes(register)
    closed = pd.DataFrame(
        {
            "light_id": frame["light_id"],
            "symptom": frame["symptom"],
            "since": frame["noticed"] * DAY,
            "until": frame["mended"] * DAY,
        }
    )
    told = Signs.of(register).open
    begun = told.groupby(["light_id", "symptom"], as_index=False)["at"].min()
    still = begun.rename(columns={"at": "since"}).assign(until=float(register.as_of))
    parts = [part for part in (closed, still) if len(part)]
    every = pd.concat(parts, ignore_index=True) if parts else closed
    every = every.assign(
        since=every["since"].clip(lower=start), until=every["until"].clip(upper=end)
    )
    return every[every["until"] > every["since"]]


def _apart(
    troubles: pd.DataFrame, load: pd.Series[float], burning: Burning, *, by_day: bool
) -> tuple[float, float, int]:
    """Return kWh, hours and lights of what troubles added, or did not burn."""
    symptoms = ["dayburning"] if by_day else list(DARK)
    some = troubles[troubles["symptom"].isin(symptoms)]
    some = some[some["light_id"].isin(load.index)]
    since, until = some["since"].to_numpy(float), some["until"].to_numpy(float)
    hours = burning.of(since, until)
    if by_day:
        hours = (until - since) / (3600 * SECOND) - hours
    power = some["light_id"].map(load).fillna(0.0).to_numpy(float)
    kwh = float((hours * power).sum()) / 1000
    return kwh, float(hours.sum()), int(some["light_id"].nunique())


def _changes(register: Register, start: int, end: int) -> tuple[Change, ...]:
    known = register.known
    clock = known.clock

    def day(at: float) -> str:
        return clock.at(int(at)).date().isoformat()

    def power(value: float) -> float | None:
        return None if value != value else float(value)

    load = watts(known)
    lights = known.lights[known.lights["feed_owner"] == ""]
    load = load[load["light_id"].isin(set(lights["light_id"]))]
    first = load.groupby("light_id")["watts"].first()
    last = load.groupby("light_id")["watts"].last()
    found = []
    for name, what in (("entered", "put up"), ("removed", "taken down")):
        at = lights[name].astype(float)
        some = lights[(at >= start) & (at < end)]
        for light, when in zip(some["light_id"], some[name], strict=True):
            is_new = name == "entered"
            before = None if is_new else power(last[light])
            after = power(first[light]) if is_new else None
            found.append((float(when), Change(light, day(when), what, before, after)))
    some = load.assign(before=load.groupby("light_id")["watts"].shift())
    some = some[(some["since"] >= start) & (some["since"] < end)]
    some = some[~(some["before"] == some["watts"])]
    for row in some.itertuples():
        what = "watts changed"
        change = Change(
            str(row.light_id), day(row.since), what, power(row.before), power(row.watts)
        )
        found.append((float(row.since), change))
    found.sort(key=lambda pair: (pair[0], pair[1].light_id))
    return tuple(one for _, one in found)


def statement(
    register: Register,
    months: Sequence[tuple[str, int, int]],
    level_deg: float = BURN_DEG,
) -> Statement:
    """Return the statement of some months in a row.

    Parameters
    ----------
    register
        What stood, as known on a day.
    months
        Name, first and last instant of each.
    level_deg
        Elevation of the sun at which lights switch [deg].
    """
    known = register.known
    start, end = months[0][1], months[-1][2]
    # Without lights nothing burns, wherever the place is.
    middle = known.lights[["longitude", "latitude"]].median().fillna(0.0)
    place = Place(float(middle.iloc[0]), float(middle.iloc[1]), known.clock)
    burning = Burning.between(place, start, end, level_deg)
    spans = _spans(register, start, end)
    load = spans.groupby("light_id")["watts"].last()
    troubles = _troubles(register, start, end)
    by_day = _apart(troubles, load, burning, by_day=True)
    dark = _apart(troubles, load, burning, by_day=False)
    unknown = sorted(set(spans.loc[spans["watts"].isna(), "light_id"]))

    def day(at: int) -> str:
        return known.clock.at(at).date().isoformat()

    return Statement(
        day(start),
        day(end),
        level_deg,
        _lines(spans, burning, months),
        *by_day,
        dark[0],
        dark[2],
        tuple(unknown),
        int((known.lights["feed_owner"] != "").sum()),
        _changes(register, start, end),
    )
