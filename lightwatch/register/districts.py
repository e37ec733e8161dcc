"""Districts: neighbourhoods of like many lights, made from their positions.

The exchange format has no column for districts.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST_LIGHTS = 1000
"""A district with more lights is halved."""


def districts(lights: pd.DataFrame, most: int = MOST_LIGHTS) -> pd.Series[str]:
    """Return the district of each light: neighbourhoods of like many lights.

    The lights are halved at the middle of their longer extent, and the halves again,
    until none has more than ``most``; so a district has between half of ``most`` and
    ``most`` lights, or all there are. It depends on positions only, ties on the order
    of identifiers.

    Parameters
    ----------
    lights
        ``light_id``, ``longitude``, ``latitude`` [degrees].
    most
        Most lights in a district.

    Returns
    -------
    pandas.Series
        Names such as ``D03``, by the index of ``lights``, numbered from the south-west.
    """
    order = np.argsort(lights["light_id"].to_numpy(str), kind="stable")
    place = lights[["longitude", "latitude"]].to_numpy(float)[order]
    place[:, 0] *= np.cos(np.radians(np.nanmean(place[:, 1]))) if len(place) else 1.0
    parts = [np.arange(len(place))]
    while max(map(len, parts)) > max(most, 1):
        parts = [half for part in parts for half in _halves(place, part)]
    names = np.full(len(place), "", dtype=object)
    for number, part in enumerate(parts):
        names[order[part]] = f"D{number:0{len(str(len(parts)))}d}"
    return pd.Series(names, index=lights.index, dtype=object)


def _halves(place: Floats, part: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    some = place[part]
    along = int(np.argmax(np.ptp(some, axis=0)))
    ranked = part[np.argsort(some[:, along], kind="stable")]
    middle = (len(ranked) + 1) // 2
    return [ranked[:middle], ranked[middle:]]
