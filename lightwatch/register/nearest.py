"""What is nearest on the globe: to a place that somebody gave, to a light."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def _on_sphere(places: pd.DataFrame) -> NDArray[np.float64]:
    east, north = np.radians(places[["longitude", "latitude"]].to_numpy(float)).T
    across = np.cos(north)
    return np.column_stack(
        [across * np.cos(east), across * np.sin(east), np.sin(north)]
    )


def nearest(places: pd.DataFrame, among: pd.DataFrame) -> NDArray[np.int64]:
    """Return for each place which is nearest, by great-circle distance.

    The shortest chord through the globe belongs to the shortest way over it.

    Parameters
    ----------
    places, among
        ``longitude``, ``latitude`` [degrees]; at least one in ``among``.

    Returns
    -------
    numpy.ndarray
        Positions in ``among``.
    """
    from scipy.spatial import cKDTree

    found = cKDTree(_on_sphere(among)).query(_on_sphere(places))[1]
    return np.asarray(found, dtype=np.int64)


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
    place = ["latitude", "longitude"]
    found = pd.Series("", index=places.index, dtype=object)
    known = places[place].notna().all(axis=1)
    if lights.empty or not known.any():
        return found
    at = nearest(places.loc[known, place], lights)
    found[known] = lights["light_id"].to_numpy()[at]
    return found
