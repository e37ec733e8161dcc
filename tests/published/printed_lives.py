"""Published lives: small tables in place, longer ones under ``data/``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

DATA = Path(__file__).parent / "data"

SHOCK_ABSORBERS_KM: tuple[FloatArray, NDArray[np.bool_]] = (
    np.array(
        [
            6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490,
            6950, 7820, 8790, 9660, 9820, 11310, 11690, 11850, 11880, 12140, 12870,
            13330, 13470, 14040, 17540, 17890, 18450, 18960, 18980, 19410, 20100,
            20150, 20320, 23490, 27410, 27890, 28100,
        ],
        dtype=np.float64,
    ),
    np.arange(38) < 11,
)  # fmt: skip
"""O'Connor (1985) as in Meeker & Escobar (1998), table C.2."""

NIST_HOURS: tuple[FloatArray, NDArray[np.bool_]] = (
    np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10], float),
    np.arange(20) < 10,
)
"""NIST/SEMATECH e-Handbook, section 8.4.1.3."""

BALL_BEARINGS: FloatArray = np.array(
    [
        17.88, 28.92, 33, 41.52, 42.12, 45.6, 48.48, 51.84, 51.96, 54.12, 55.56, 67.8,
        68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.4,
    ]
)  # fmt: skip
"""Lieblein & Zelen (1956), million revolutions."""

CRACKS = (
    np.array([0, 6.12, 19.92, 29.64, 35.4, 39.72, 45.24, 52.32, 63.48]),
    np.array([6.12, 19.92, 29.64, 35.4, 39.72, 45.24, 52.32, 63.48, np.inf]),
    np.array([5, 16, 12, 18, 18, 2, 6, 17, 73], float),
)
"""Nelson (1982), p. 415: 167 parts inspected for cracks: low, high, count."""

_CAGES_ALIVE = {
    50: 288, 150: 148, 250: 124, 350: 111, 450: 106, 550: 99, 650: 110, 750: 114,
    850: 119, 950: 127, 1050: 123, 1150: 93, 1250: 47, 1350: 41, 1450: 27, 1550: 11,
    1650: 6, 1850: 1, 2050: 2,
}  # fmt: skip
BEARING_CAGES = (
    np.array([230, 334, 423, 990, 1009, 1510, *_CAGES_ALIVE], float),
    np.arange(25) < 6,
    np.array([1] * 6 + list(_CAGES_ALIVE.values()), float),
)
"""Abernethy et al. (1983), hours of 1703 bearing cages: age, failed, count."""

FLUID_MINUTES_BY_KV = {
    26: [5.79, 1579.52, 2323.7],
    28: [68.85, 108.29, 110.29, 426.07, 1067.6],
    30: [7.74, 17.05, 20.46, 21.02, 22.66, 43.4, 47.3, 139.07, 144.12, 175.88, 194.9],
    32: [
        0.27, 0.4, 0.69, 0.79, 2.75, 3.91, 9.88, 13.95, 15.93, 27.8, 53.24, 82.85,
        89.29, 100.58, 215.1,
    ],
    34: [
        0.19, 0.78, 0.96, 1.31, 2.78, 3.16, 4.15, 4.67, 4.85, 6.5, 7.35, 8.01, 8.27,
        12.06, 31.75, 32.52, 33.91, 36.71, 72.89,
    ],
    36: [
        0.35, 0.59, 0.96, 0.99, 1.69, 1.97, 2.07, 2.58, 2.71, 2.9, 3.67, 3.99, 5.35,
        13.77, 25.5,
    ],
    38: [0.09, 0.39, 0.47, 0.73, 0.74, 1.13, 1.4, 2.38],
}  # fmt: skip
"""Nelson (1972): breakdown of insulating fluid."""

OVARIAN: tuple[FloatArray, NDArray[np.bool_]] = (
    np.array(
        [
            59, 115, 156, 431, 464, 475, 563, 638, 268, 329, 353, 365, 421, 448, 477,
            744, 769, 770, 803, 855, 1040, 1106, 1129, 1206, 1227, 377,
        ],
        dtype=np.float64,
    ),
    np.arange(26) < 12,
)  # fmt: skip
"""Edmunson et al. (1979), days; data set ``ovarian`` of R's survival; from memory."""

COSMESIS: FloatArray = np.array(
    [
        (45, np.inf), (6, 10), (0, 7), (46, np.inf), (46, np.inf), (7, 16),
        (17, np.inf), (7, 14), (37, 44), (0, 8), (4, 11), (15, np.inf), (11, 15),
        (22, np.inf), (46, np.inf), (46, np.inf), (25, 37), (46, np.inf), (26, 40),
        (46, np.inf), (27, 34), (36, 44), (46, np.inf), (36, 48), (37, np.inf),
        (40, np.inf), (17, 25), (46, np.inf), (11, 18), (38, np.inf), (5, 12),
        (37, np.inf), (0, 5), (18, np.inf), (24, np.inf), (36, np.inf), (5, 11),
        (19, 35), (17, 25), (24, np.inf), (32, np.inf), (33, np.inf), (19, 26),
        (37, np.inf), (34, np.inf), (36, np.inf),
    ],
    dtype=np.float64,
)  # fmt: skip
"""Finkelstein & Wolfe (1985), radiotherapy alone, months (low, high], as public
repository nilskober/MLEcens-Python carries it (data/cosmesis.txt)."""


def table(name: str) -> pd.DataFrame:
    """Return a published table that is kept beside the tests."""
    return pd.read_csv(DATA / f"{name}.csv")


def known_to(age: ArrayLike, failed: ArrayLike) -> FloatArray:
    """Return the upper ends of lives known exactly or still alive."""
    return np.where(np.asarray(failed, bool), np.asarray(age, float), np.inf)
