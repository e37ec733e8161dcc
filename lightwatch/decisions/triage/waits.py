"""How long troubles stay open: a feed waits for weeks where a lamp waits for days.

What has been open for long is rather of the kind that waits long. For each kind the
share still open so many nights after it was first told of is read off the mended, and
drawn to what is usual by as much as a few of them weigh. Reports that nothing ever
answered stay open whatever they were of; their share is the least of either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.troubles import answers, told_of_lights
from lightwatch.detection import episodes
from lightwatch.detection.episodes import of_faults
from lightwatch.detection.moments import Moments
from lightwatch.detection.touched import lights_touched
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.words import DARK

Floats = NDArray[np.float64]

USUAL_OWN, USUAL_FEED = 7.0, 21.0
"""Mean nights until a light, and a feed, is mended; no source."""

LIKE = 10.0
"""The usual weighs as so many mended."""

OLD_NIGHTS = 120.0
"""What was told of so long ago and is not answered never will be."""

LEAST = 0.02


@dataclass(frozen=True)
class Waits:
    """Nights that mended troubles had been open for, sorted.

    Parameters
    ----------
    own, feed
        Of lights dark by themselves; of faults of feeds.
    unanswered
        Share of reports that nothing ever answers.
    """

    own: Floats
    feed: Floats
    unanswered: float = LEAST

    def log_ratio(self, age: Floats) -> Floats:
        """Return ln of the chance to be open after so long of a light's own trouble.

        Against that of a feed's; 0 where the age is not a number, and everywhere where
        nothing is known to have been mended.
        """
        if not len(self.own) and not len(self.feed):
            return np.zeros(len(age))
        own = self._still(self.own, USUAL_OWN, age)
        feed = self._still(self.feed, USUAL_FEED, age)
        ratio: Floats = np.log(own / feed)
        return np.where(np.isnan(age), 0.0, ratio)

    def _still(self, waits: Floats, usual: float, age: Floats) -> Floats:
        longer = len(waits) - np.searchsorted(waits, np.nan_to_num(age), "right")
        usually = np.exp(-np.nan_to_num(age) / usual)
        share = (longer + LIKE * usually) / (len(waits) + LIKE)
        found: Floats = self.unanswered + (1 - self.unanswered) * share
        return found


def waits(register: Register, feeds: pd.DataFrame) -> Waits:
    """Read off the records how long troubles stay open.

    Parameters
    ----------
    register
        The register as known on a day.
    feeds
        Repairs of faults that lights share, rows of ``known.repairs``.
    """
    own = of_faults(episodes(register))
    own = own[own["told"] & own["symptom"].isin(DARK)]
    told = register.known.reports.set_index("report_id")["happened"]
    since = feeds["report_id"].map(told)
    waited = ((feeds["happened"] - since) / DAY).dropna().to_numpy(float)
    return Waits(
        np.sort((own["mended"] - own["noticed"]).to_numpy(float)),
        np.sort(waited[waited > 0]),
        _unanswered(register),
    )


def _unanswered(register: Register) -> float:
    """Return the share of old reports of dark lights that no work ever answered."""
    told = told_of_lights(register)
    now = float(register.watched_until) / DAY
    told = told[~told["seen"].astype(bool) & told["symptom"].isin(DARK)]
    told = told[(told["light_id"] != "") & told["closed"].isna()]
    day = told["at"].to_numpy(float) / DAY
    old = day < now - OLD_NIGHTS
    if not old.any():
        return LEAST
    done = answers(register)
    done = done.assign(
        repair=done.index, day=done["happened"] / DAY, part=worked_on(done)
    )
    touched = lights_touched(register, done)
    work = Moments.of(touched["light_id"], touched["day"])
    after, _ = work.at(told["light_id"][old]).next(day[old])
    open_still = after > day[old] + OLD_NIGHTS
    named = told["report_id"][old].isin(set(done["report_id"]) - {""}).to_numpy()
    share = float((open_still & ~named).sum() + LEAST * LIKE) / (old.sum() + LIKE)
    return float(min(max(share, LEAST), 0.5))
