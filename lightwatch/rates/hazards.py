"""Hazard today of everything in place, from the lives fitted to its kind and type."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.errors import LightwatchError
from lightwatch.lives import Lives
from lightwatch.nights import YEAR
from lightwatch.rates.weibull import fit_weibull
from lightwatch.words import SUPPLY

LEAST_FAILURES = 20
"""With fewer, a kind and type has one rate for every age."""

COLUMNS = ("light_id", "circuit_id", "section_id", "kind", "type", "per_year", "km")

_YOUNGEST_YEARS = 0.05
_HALF_A_FAILURE = 0.5


def _at_age(
    entry: np.ndarray, leave: np.ndarray, failed: np.ndarray, length: np.ndarray
) -> tuple[float, float] | None:
    """Return shape and scale [years] of a life, or None where none can be fitted.

    Kilometres weigh time; the failures themselves are whole.
    """
    used = np.isfinite(entry) & (leave > entry)
    entry, leave, failed, length = (one[used] for one in (entry, leave, failed, length))
    if failed.sum() < LEAST_FAILURES:
        return None
    ends = leave[failed]
    try:
        fitted = fit_weibull(
            np.concatenate([entry, ends * (1 - 1e-9)]),
            np.concatenate([leave, ends]),
            np.concatenate([np.full(len(leave), np.inf), ends]),
            weights=np.concatenate([length, np.ones(len(ends))]),
        )
    except LightwatchError:
        return None
    return fitted.shape, fitted.scale_years


def hazards_now(lives: Lives) -> pd.DataFrame:
    """Return what is in place now with its hazard at its present age.

    A Weibull hazard where the kind and type has failures enough and the age is known;
    otherwise failures per year under watch. A section is mended, not renewed: its age
    is that of the ground it lies in.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``circuit_id``, ``section_id``, ``kind``, ``type``,
        ``per_year`` [1/year], of a section for its whole length, and ``km``, its
        length.
    """
    frame = lives.frame
    born = (frame["installed"] + frame["installed_last"]) / 2
    years = {
        "entry": (frame["start"] - np.minimum(born, frame["start"])) / YEAR,
        "leave": (frame["end"] - np.minimum(born, frame["start"])) / YEAR,
    }
    frame = frame.assign(**years)
    now = frame["end"] >= lives.register.as_of
    parts = []
    for (kind, _), some in frame.groupby(["kind", "type"], sort=True):
        failed = some["failed"].to_numpy(bool)
        entry, leave = some["entry"].to_numpy(float), some["leave"].to_numpy(float)
        length = some["weight"].to_numpy(float)
        watched = float(((some["end"] - some["start"]) / YEAR * length).sum())
        flat = (failed.sum() + _HALF_A_FAILURE) / max(watched, 1.0)
        fitted = _at_age(entry, leave, failed, length)
        standing = some[now[some.index]]
        rate = np.full(len(standing), flat)
        if fitted:
            shape, scale = fitted
            age = np.maximum(standing["leave"].to_numpy(float), _YOUNGEST_YEARS)
            hazard = shape / scale * (age / scale) ** (shape - 1)
            rate = np.where(np.isfinite(age), hazard, flat)
        if kind in SUPPLY:
            rate = rate * standing["weight"].to_numpy(float)
        parts.append(standing.assign(per_year=rate, km=standing["weight"]))
    if not parts:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat(parts).sort_index()[list(COLUMNS)]
