"""When each failed life must have failed: after it was last lit, before it was noticed.

The day of the repair is not the day of the failure. A failure lies after the light was
last known to work (fitted, proven lit by a repair, or passed by a night patrol that
notes such lights and noted nothing) and before the first report or sighting.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.detection import Detection, episodes
from lightwatch.lives.lives import Lives
from lightwatch.nights import DAY

MEAN_DELAYS = 2.0
"""A failure is looked for this many mean delays back, so that the middle of the
interval is where it is expected."""


def intervals(lives: Lives, detection: Detection) -> pd.DataFrame:
    """Return between which instants each failed life failed.

    Returns
    -------
    pandas.DataFrame
        One row a life, in the order of ``lives.frame``: ``low``, ``high`` [instants;
        the end of the life where it did not fail], ``earliest`` (the same as ``low``
        without regard to how soon it is usually noticed) and ``symptom`` ('' where
        none).
    """
    frame = lives.frame
    known = episodes(lives.register).set_index("repair")
    ends = frame["end_repair"].where(frame["failed"], -1)
    found = known.reindex(ends)
    symptom = found["symptom"].fillna("").to_numpy(object)
    start, end = frame["start"].to_numpy(float), frame["end"].to_numpy(float)
    noticed = found["noticed"].to_numpy(float) * DAY
    late = ~((noticed > start) & (noticed <= end))
    high = np.where(late, end, noticed)
    sure = np.array([detection.proves_lit(name) for name in symptom], dtype=bool)
    passed = np.where(sure, found["passed"].to_numpy(float) * DAY, -np.inf)
    lit = np.fmax(passed, found["lit"].to_numpy(float) * DAY)
    back = detection.noticed_per_day_at(frame["light_id"], symptom)
    longest = high - MEAN_DELAYS / back * DAY
    earliest = np.fmax(lit, start)
    low = np.fmax(earliest, longest)
    exact = ~frame["failed"].to_numpy() | found["noticed"].isna().to_numpy()
    return pd.DataFrame(
        {
            "low": np.where(exact | (low >= high), high, low),
            "earliest": np.where(exact, high, np.minimum(earliest, high)),
            "high": high,
            "symptom": symptom,
        },
        index=frame.index,
    )
