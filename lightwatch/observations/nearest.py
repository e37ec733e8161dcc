"""What is nearest on the globe: to a place that somebody gave, to a light."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius of the globe [m]."""


def _on_sphere(places: pd.DataFrame) -> NDArray[np.float64]:
    east, north = np.radians(places[["longitude", "latitude"]].to_numpy(float)).T
    across = np.cos(north)
    return np.column_stack(
        [across * np.cos(east), across * np.sin(east), np.sin(north)]
    )


def _metres(chord: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the way over the globe of a chord through it, of radius 1 [m]."""
    half = np.minimum(chord / 2, 1.0)
    return np.asarray(2 * EARTH_RADIUS_M * np.arcsin(half))


def how_far(one: pd.DataFrame, other: pd.DataFrame) -> NDArray[np.float64]:
    """Return how far places are from others, row by row [m]."""
    away = _on_sphere(one) - _on_sphere(other)
    return _metres(np.sqrt((away**2).sum(axis=1)))


def nearest_two_m(lights: pd.DataFrame) -> NDArray[np.float64]:
    """Return how far each of two lights or more is from the next [m]."""
    from scipy.spatial import cKDTree

    at = _on_sphere(lights)
    return _metres(cKDTree(at).query(at, k=2)[0][:, 1])


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


def nearest_lights(
    lights: pd.DataFrame, places: pd.DataFrame
) -> tuple[pd.Series[str], pd.Series[float]]:
    """Return for each place the light nearest to it, by great-circle distance.

    Parameters
    ----------
    lights
        ``light_id``, ``longitude``, ``latitude`` [degrees].
    places
        ``longitude``, ``latitude`` [degrees].

    Returns
    -------
    tuple
        Identifiers and distances [m], by the index of ``places``; '' and not a number
        where there are no lights, or a place is not known.
    """
    place = ["latitude", "longitude"]
    found = pd.Series("", index=places.index, dtype=object)
    away = pd.Series(np.nan, index=places.index)
    known = places[place].notna().all(axis=1)
    if lights.empty or not known.any():
        return found, away
    at = nearest(places.loc[known, place], lights)
    found[known] = lights["light_id"].to_numpy()[at]
    away[known] = how_far(places[known], lights.iloc[at])
    return found, away
