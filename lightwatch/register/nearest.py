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
        ``longitude``, ``latitude`` [degrees]; none may be missing.

    Returns
    -------
    pandas.Series
        Identifiers, by the index of ``places``; '' where there are no lights.
    """
    from sklearn.neighbors import BallTree

    place = ["latitude", "longitude"]
    if lights.empty or places.empty:
        return pd.Series("", index=places.index, dtype=object)
    tree = BallTree(np.radians(lights[place].to_numpy()), metric="haversine")
    found = tree.query(np.radians(places[place].to_numpy()), return_distance=False)
    names = lights["light_id"].to_numpy()[found[:, 0]]
    return pd.Series(names, index=places.index, dtype=object)
