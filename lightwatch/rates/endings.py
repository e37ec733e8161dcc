"""What ends the life of a part: its own failure, a programme, a knock-down, theft.

Ways to end compete: a part that was knocked down can no longer fail. So the share ended
in each way by an age is that of Aalen and Johansen (:mod:`lightwatch.rates.causes`),
with late entry; one less the survival of each way alone would count too much. Parts
whose date of installation is not known are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.errors import NotEnoughEvidence
from lightwatch.lives import Lives
from lightwatch.lives.settled import PLANNED
from lightwatch.nights import YEAR
from lightwatch.rates.causes import aalen_johansen
from lightwatch.words import SUPPLY

BY_YEARS = 10.0
"""Age by which the shares are told."""

FAILURE, OTHER_WORK, CONVERSION = "failure", "other work", "conversion"
WAYS = (FAILURE, *PLANNED, CONVERSION, OTHER_WORK)

LEAST_AT_RISK = 20
"""Parts that must have been watched at the age at which shares are told; no source."""


@dataclass(frozen=True)
class Endings:
    """How parts of one kind end, by an age.

    ``share`` holds the share ended in each way by ``by_years``; the rest, ``left``, is
    still in place then.
    """

    kind: str
    by_years: float
    ended: int
    share: dict[str, float]

    @property
    def left(self) -> float:
        """Share still in place."""
        return max(0.0, 1.0 - sum(self.share.values()))


def endings(lives: Lives) -> list[Endings]:
    """Return how parts of each kind end, for kinds that were watched to that age.

    Parameters
    ----------
    lives
        Life data; cable and line are mended and not ended, so they are not told of.
    """
    frame = lives.frame[~lives.frame["kind"].isin(list(SUPPLY))]
    done = lives.register.known.repairs[["cause", "action"]].reindex(
        frame["end_repair"]
    )
    cause, action = done["cause"].to_numpy(object), done["action"].to_numpy(object)
    way = np.full(len(frame), OTHER_WORK, dtype=object)
    for name in PLANNED:
        way[cause == name] = name
    way[action == "converted"] = CONVERSION
    way[frame["failed"].to_numpy(bool)] = FAILURE
    way[frame["end_repair"].to_numpy() < 0] = ""
    born = (frame["installed"] + frame["installed_last"]) / 2
    born = np.minimum(born, frame["start"])
    frame = frame.assign(
        way=way,
        entry=(frame["start"] - born) / YEAR,
        leave=(frame["end"] - born) / YEAR,
    )
    frame = frame[frame["entry"].notna() & (frame["leave"] > frame["entry"])]
    found = []
    for kind, some in frame.groupby("kind", sort=True):
        there = (some["entry"] < BY_YEARS) & (some["leave"] >= BY_YEARS)
        if there.sum() < LEAST_AT_RISK:
            continue
        try:
            curve = aalen_johansen(some["entry"], some["leave"], some["way"])
        except NotEnoughEvidence:
            continue
        share = {
            name: float(curve.at(name, BY_YEARS))
            for name in WAYS
            if name in curve.causes
        }
        ended = int((some["way"] != "").sum())
        found.append(Endings(str(kind), BY_YEARS, ended, share))
    return found
