"""What share of failures the records hold: of each kind, and of the last weeks.

A repair that stays on no light is a failure all the same, of which nobody knows at
which light. Of 100 repairs of lamps that came, so many are on a light; all rates of
lamps are too low by that share, whatever they are asked by. So time under watch counts
for that share of it. A fuse that was replaced on a circuit may be the circuit's own:
of those at lights the same share is thought lost as of other parts.

Repairs come to the office late, so those of the last weeks are not all on record. How
late is read off those that are, which were recorded before today: their delays are
truncated from the right, and the law of the delay is that of Lagakos and others, the
product limit in reversed time [1]_. A week of which half the repairs have come counts
for half a week [2]_.

References
----------
.. [1] S. W. Lagakos, L. M. Barraj, V. De Gruttola, Biometrika 75 (1988), 515-523; from
   memory.
.. [2] J. D. Kalbfleisch, J. F. Lawless, J. Am. Statist. Ass. 84 (1989), 360-372; from
   memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.kept import keeping
from lightwatch.nights import DAY
from lightwatch.observations.unnamed import MENDS, OWN_PARTS, part_of

if TYPE_CHECKING:
    from lightwatch.register.register import Register

MOST_DAYS = 120.0
"""What was recorded later was taken from older papers, not late; no source."""

RECENT_DAYS = 730.0
"""How late repairs come is read off those of the last two years; no source."""

ENOUGH = 50
"""Below so many of those, the delay is not known."""

MATTERS = 1e-3
"""A mean delay below this share of the time since the opening is left out: rates would
be raised by no more than that."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Share:
    """Repairs of a kind of part that are on a light, and on none.

    ``lost`` of fuses is an estimate.
    """

    placed: int
    lost: float

    @property
    def recorded(self) -> float:
        """The share that is on a light; 1 where none is."""
        return self.placed / (self.placed + self.lost) if self.placed else 1.0

    @property
    def log_sd(self) -> float:
        """Standard deviation of its logarithm: binomial, by the delta method.

        Infinite where none is on a light.
        """
        missed = 1.0 - self.recorded
        return float(np.sqrt(missed / self.placed)) if self.placed else np.inf


@dataclass(frozen=True)
class Recorded:
    """What share of failures is on record.

    Parameters
    ----------
    of
        By kind of part, only where some are lost.
    delays
        From a repair to its record, in order [days], and how likely each is; none
        where they do not matter.
    now
        Until when repairs were recorded [instant].
    """

    now: int
    of: dict[str, Share] = field(default_factory=dict)
    delays: tuple[Floats, Floats] = (np.empty(0), np.empty(0))

    @property
    def mean_delay_days(self) -> float:
        """Mean delay that counts [days]."""
        days, chance = self.delays
        return float(days @ chance)

    def on_time(self, start: Floats, end: Floats) -> Floats:
        """Return the share of watches whose repairs have come by now.

        Parameters
        ----------
        start, end
            Of each watch [instants].
        """
        days, chance = self.delays
        if not len(days):
            return np.ones(len(start))
        back = np.stack([self.now - start, self.now - end]) / DAY
        past, weight = np.cumsum(chance), np.cumsum(chance * days)
        at = np.searchsorted(days, back, side="right")
        come = back * np.append(0.0, past)[at] - np.append(0.0, weight)[at]
        length = np.maximum(back[0] - back[1], 1e-9)
        share = np.where(back[0] > back[1], (come[0] - come[1]) / length, 1.0)
        return np.asarray(np.clip(share, 1e-6, 1.0))


def shares(repairs: pd.DataFrame) -> dict[str, Share]:
    """Return by kind how many repairs are on a light and on none.

    Parameters
    ----------
    repairs
        As known on a day; ``by_circuit`` and ``by_report`` say which name only those.
        One whose light is not on record is of none that is under watch.
    """
    part = part_of(repairs)
    mended = repairs["action"].isin(MENDS) & (part == repairs["cause"])
    at, nowhere = repairs["light_id"] != "", repairs["section_id"] == ""
    lost = mended & ~at & (repairs["by_circuit"] | repairs["by_report"])
    own = part.isin(OWN_PARTS)
    placed = part[mended & at].value_counts()
    found = {
        str(kind): Share(int(placed.get(kind, 0)), float(count))
        for kind, count in part[lost & own].value_counts().items()
    }
    fuses = int(placed.get("fuse", 0))
    without = float((lost & (part == "fuse")).sum())
    by_circuit = float((repairs["by_circuit"] & own).sum())
    if by_circuit:
        on_circuits = mended & ~at & ~repairs["named"] & nowhere & (part == "fuse")
        odds = by_circuit / max(float((mended & own).sum()) - by_circuit, 1.0)
        without += min(float(on_circuits.sum()), fuses * odds)
    if without:
        found["fuse"] = Share(fuses, without)
    return found


def law_of_delays(days: Floats, longest: Floats) -> tuple[Floats, Floats]:
    """Return delays in order and how likely each is, from delays truncated by now.

    Parameters
    ----------
    days
        Delays of what is on record [days].
    longest
        How long each could have been, to be on record [days].

    Examples
    --------
    >>> law_of_delays(np.array([1.0, 3.0]), np.array([9.0, 9.0]))
    (array([1., 3.]), array([0.5, 0.5]))
    >>> law_of_delays(np.array([1.0, 1.0, 3.0]), np.array([2.0, 9.0, 9.0]))[1].round(2)
    array([0.5, 0.5])
    """
    at, count = np.unique(days, return_counts=True)
    begun = np.searchsorted(np.sort(days), at, side="right")
    could = np.searchsorted(np.sort(longest), at, side="left")
    left = 1.0 - count / np.maximum(begun - could, count)
    after = np.append(np.cumprod(left[::-1])[::-1][1:], 1.0)
    chance = after * (1.0 - left)
    return at, np.asarray(chance / chance.sum())


@keeping
def recorded(register: Register) -> Recorded:
    """Estimate what share of failures is on record, as known on the register's day."""
    repairs, now = register.known.repairs, register.as_of
    until = register.watched_until
    found = Recorded(until, shares(repairs))
    at = repairs["happened"].to_numpy(float)
    days = (repairs["recorded"].to_numpy(float) - at) / DAY
    longest = (now - at) / DAY
    some = (days >= 0) & (days < MOST_DAYS) & (longest < RECENT_DAYS)
    if until < now or some.sum() < ENOUGH:
        return found
    delays = law_of_delays(days[some], longest[some])
    watched = (until - register.known.opened) / DAY
    if float(delays[0] @ delays[1]) < MATTERS * watched:
        return found
    return Recorded(until, found.of, delays)
