"""How a light in trouble comes to be known: reports from people, patrols of crews."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo_city.days import Calendar, Columns, Floats, Ints
from demo_city.feeds import Feeds
from demo_city.geography import Positions, Streets
from demo_city.parameters import SYMPTOMS, Parameters

OUT, GROUP_OUT, DAYBURNING, KNOCKED_DOWN = (
    SYMPTOMS.index(name) for name in ("out", "group_out", "dayburning", "knocked_down")
)
NIGHT_START_HOUR = np.array(
    [19.0, 19.5, 20.5, 22.0, 23.0, 23.2, 23.2, 22.3, 21.0, 20.0, 18.8, 18.5]
)
"""Local hour at which a night patrol sets out, by month: after civil dusk."""

DAY_START_HOUR = 10.0
PATROL_HOURS = 3.6


@dataclass(frozen=True)
class Rounds:
    """Patrols that drive every beat again after a fixed number of days.

    Parameters
    ----------
    first
        First day of the rounds of each beat.
    every
        Days from one round to the next.
    start_hour
        Local hour of setting out, by day since opening.
    hits
        Chance of seeing a light that is not right, by symptom.
    beat, share
        Per light: its beat, and how much of a round is over when it is passed.
    """

    first: Ints
    every: int
    start_hour: Floats
    hits: Floats
    beat: Ints
    share: Floats

    def started_at(self, beat: Ints, number: Ints) -> Floats:
        """Return when rounds of beats set out [days]."""
        day = self.first[beat] + number * self.every
        hour = self.start_hour[np.minimum(day, self.start_hour.size - 1)]
        return np.asarray(day + hour / 24)

    def passes(self, light: Ints, number: Ints) -> Floats:
        """Return when rounds pass lights [days]."""
        drive = PATROL_HOURS / 24 * self.share[light]
        return np.asarray(self.started_at(self.beat[light], number) + drive)

    def next_hit(
        self, light: Ints, after: Floats, symptom: Ints, rng: np.random.Generator
    ) -> tuple[Floats, Ints]:
        """Draw when a light in trouble is next seen [days], and in which round.

        Each pass is a trial of its own; never seen: infinite.
        """
        since = after - 1.2 - self.first[self.beat[light]]
        number = np.maximum(np.ceil(since / self.every), 0).astype(np.int64)
        number = number + (self.passes(light, number) <= after)
        chance = self.hits[symptom]
        missed = rng.geometric(np.maximum(chance, 1e-3)) - 1
        number = number + missed
        seen = np.where(chance > 0, self.passes(light, number), np.inf)
        return seen, number


@dataclass(frozen=True)
class Watch:
    """Everything that makes trouble known.

    Parameters
    ----------
    feeds, calendar
        Who goes dark with whom; the days.
    per_night
        Chance of a report per night for one light, by symptom.
    rounds
        Night rounds, then day rounds.
    """

    feeds: Feeds
    calendar: Calendar
    per_night: Floats
    rounds: tuple[Rounds, Rounds]

    def notice(
        self,
        level: Ints,
        holder: Ints,
        failed_at: Floats,
        symptom: Ints,
        rng: np.random.Generator,
    ) -> Columns:
        """Draw when each trouble is first reported and first seen [days].

        Returns
        -------
        dict
            ``reported_at``; ``seen_at``, ``seen_light``, ``seen_by`` (0 night, 1 day
            rounds), ``seen_round`` of the first sighting; ``noticed_at``.
        """
        feeds, size = self.feeds, holder.size
        many = np.minimum(feeds.dark_count(level, holder), 8) ** 0.7
        wait = rng.exponential(1 / (self.per_night[symptom] * many))
        by_day = (symptom == DAYBURNING) & (rng.random(size) < 0.8)
        told = failed_at + wait
        reported = np.where(
            by_day, self.calendar.daytime(told, rng), self.calendar.evening(told, rng)
        )
        place, light = feeds.dark(level, holder)
        seen, light_seen = np.full(size, np.inf), np.full(size, -1)
        by, number_seen = np.zeros(size, np.int64), np.zeros(size, np.int64)
        for which, rounds in enumerate(self.rounds):
            hit, number = rounds.next_hit(light, failed_at[place], symptom[place], rng)
            order = np.lexsort((hit, place))
            best = order[np.unique(place[order], return_index=True)[1]]
            best = best[hit[best] < seen[place[best]]]
            at = place[best]
            seen[at], light_seen[at] = hit[best], light[best]
            by[at], number_seen[at] = which, number[best]
        return {
            "reported_at": reported,
            "seen_at": seen,
            "seen_light": light_seen,
            "seen_by": by,
            "seen_round": number_seen,
            "noticed_at": np.minimum(reported, seen),
        }


def beats(
    parameters: Parameters, roads: Streets, lights: Positions
) -> tuple[Ints, Ints, Floats]:
    """Divide the roads that have lights among beats.

    Returns
    -------
    tuple
        The roads in the order of their rounds, the beat of each, and how much of the
        round is over when it is passed (0 to 1).
    """
    order = np.lexsort((roads.points[:, 1, 0], roads.block, roads.district))
    order = order[np.isin(order, lights.road)]
    count = max(1, round(order.size / parameters.beat_roads))
    number = np.arange(order.size)
    beat = number * count // order.size
    first, size = np.searchsorted(beat, beat), np.bincount(beat)[beat]
    return order, beat, (number - first + 0.5) / size


def watch(
    parameters: Parameters,
    roads: Streets,
    lights: Positions,
    feeds: Feeds,
    calendar: Calendar,
    rng: np.random.Generator,
) -> Watch:
    """Set up night and day rounds and the people of the city."""
    order, beat, share = beats(parameters, roads, lights)
    count = int(beat.max()) + 1
    place = np.empty(roads.name.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    place = place[lights.road]
    days = np.arange(calendar.end + 400.0)
    night = NIGHT_START_HOUR[calendar.month(days) % 12]
    day = np.full(days.size, DAY_START_HOUR)
    made = []
    for every, hour, hits in (
        (parameters.night_patrol_days, night, parameters.night_hits),
        (parameters.day_patrol_days, day, parameters.day_hits),
    ):
        turn = rng.permutation(count)
        first = 3 + turn * every // count
        made.append(
            Rounds(
                first,
                every,
                hour,
                np.array(hits),
                beat[place],
                share[place] + rng.uniform(0, 0.002, place.size),
            )
        )
    per_night = np.array(parameters.report_per_night)
    return Watch(feeds, calendar, per_night, (made[0], made[1]))


def sightings(
    watching: Watch, troubles: pd.DataFrame, end: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw all sightings of troubles from when they were noticed until they ended.

    Before that no patrol saw them; after, every pass is a trial again.

    Returns
    -------
    pandas.DataFrame
        ``by``, ``round``, ``light``, ``trouble``, ``seen_at`` [days].
    """
    of = {name: troubles[name].to_numpy() for name in troubles.columns}
    noticed, symptom = of["noticed_at"], of["symptom"]
    ended = np.minimum(of["ended_at"], end)
    at = np.flatnonzero((of["seen_at"] <= noticed) & (noticed < ended))
    first = (of["seen_by"], of["seen_round"], of["seen_light"])
    found = [(*(values[at] for values in first), at, noticed[at])]
    for which, rounds in enumerate(watching.rounds):
        place, light = watching.feeds.dark(of["level"], of["holder"])
        after = noticed[place]
        while place.size:
            seen, number = rounds.next_hit(light, after, symptom[place], rng)
            live = seen < ended[place]
            place, light, after = place[live], light[live], seen[live]
            by = np.full(place.size, which)
            found.append((by, number[live], light, place, after))
    names = ("by", "round", "light", "trouble", "seen_at")
    return pd.DataFrame(
        {n: np.concatenate([part[i] for part in found]) for i, n in enumerate(names)}
    )
