"""Lights that have failed and whose part is still on the shelf.

In a steady state the forecast holds them already: as many wait at the end of a month as
at its beginning. They are said, so that the storekeeper knows what is owed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.detection import Detection, detection, episodes
from lightwatch.register import Register

USUAL_DAYS = 21.0
"""From failing to the repair where no record tells."""

LONGEST_DAYS = 365.0
"""What took longer is thought to be a slip of the records."""


@dataclass(frozen=True)
class Backlog:
    """How long a failure waits for its part.

    Parameters
    ----------
    unnoticed_days
        Mean time from failing to being noticed [days].
    mending_days
        Mean time from being noticed to the repair [days].
    """

    unnoticed_days: float
    mending_days: float

    @property
    def delay_days(self) -> float:
        """Mean time from failing to the repair [days]."""
        return self.unnoticed_days + self.mending_days


def _unnoticed(detected: Detection, symptoms: list[str]) -> float:
    delays = [min(detected.mean_delay_days(one), LONGEST_DAYS) for one in symptoms]
    return float(np.mean(delays)) if delays else USUAL_DAYS


def backlog(register: Register) -> Backlog:
    """Read off the records how long failures wait to be noticed, and to be mended."""
    frame = episodes(register)
    if frame.empty:
        return Backlog(USUAL_DAYS, 0.0)
    told = frame[frame["symptom"] != ""]
    wait = (told["mended"] - told["noticed"]).clip(0, LONGEST_DAYS)
    mending = float(wait.mean()) if len(wait) else 0.0
    counts = told["symptom"].value_counts(normalize=True)
    detected = detection(register)
    delays = {name: _unnoticed(detected, [str(name)]) for name in counts.index}
    unnoticed = sum(share * delays[name] for name, share in counts.items())
    return Backlog(float(unnoticed) if delays else USUAL_DAYS, mending)
