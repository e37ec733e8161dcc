"""What else the record holds of the lights of an entry: closed before, not ours."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from lightwatch.decisions.triage.troubles import last_closed
from lightwatch.nights import DAY
from lightwatch.register import Register

SOON_DAYS = 60.0
"""What is told of again so soon after it was closed is said so."""


def closed_before(register: Register, lights: Sequence[str], since: int) -> list[str]:
    """Say which lights were told of again soon after a report was closed.

    Parameters
    ----------
    register
        What stands.
    lights
        Lights that were reported or sighted.
    since
        First report or sighting [instant].
    """
    found = []
    done = last_closed(register)
    here = np.sort(done.index.get_indexer(pd.Index(lights, dtype=object)))
    for light, last in done.iloc[here[here >= 0]].iterrows():
        days = (since - float(last["happened"])) / DAY
        if 0 <= days <= SOON_DAYS:
            mended = last["action"] != "no_fault_found"
            how = "repaired" if mended else "nothing found"
            after = "within a day" if days < 1 else f"{days:.0f} days"
            found.append(
                f"{light} was reported again {after} after it was closed as {how}"
            )
    return found


def not_ours(lights: pd.DataFrame) -> list[str]:
    """Say which lights, or feeds, others look after: rows by identifier."""
    found = []
    for light, row in lights.iterrows():
        if row["maintained_by"]:
            who = row["maintained_by"]
            found.append(f"{light} is maintained by {who}: not ours to repair")
        elif row["feed_owner"]:
            owner = row["feed_owner"]
            found.append(f"{light} is fed by {owner}: the feed is not ours to open")
    return found
