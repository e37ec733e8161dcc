"""The light nearest to a place that somebody gave."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd


def nearest_lights(lights: pd.DataFrame, places: pd.DataFrame) -> pd.Series[Any]:
    """Return for each place the light nearest to it, by great-circle distance.

    Parameters
    ----------
    lights
        ``light_id``, ``longitude``, ``latitude`` [degrees].
    places
        ``longitude``, ``latitude`` [degrees].

    Returns
    -------
    pandas.Series
        Identifiers, by the index of ``places``; '' where there are no lights, or a
        place is not known.
    """
    from sklearn.neighbors import BallTree

    place = ["latitude", "longitude"]
    found = pd.Series("", index=places.index, dtype=object)
    known = places[place].notna().all(axis=1)
    if lights.empty or not known.any():
        return found
    tree = BallTree(np.radians(lights[place].to_numpy()), metric="haversine")
    where = np.radians(places.loc[known, place].to_numpy())
    found[known] = lights["light_id"].to_numpy()[
        tree.query(where, return_distance=False)[:, 0]
    ]
    return found
