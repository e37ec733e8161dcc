"""Hazards by kind, type and age: what is in place now, all time under watch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.errors import LightwatchError
from lightwatch.kept import keeping, once
from lightwatch.lives import Lives, all_lives
from lightwatch.nights import YEAR
from lightwatch.rates.weibull import fit_weibull
from lightwatch.words import SUPPLY

Floats = NDArray[np.float64]

LEAST_FAILURES = 20
"""With fewer, a kind and type has one rate for every age."""

COLUMNS = ("light_id", "circuit_id", "section_id", "kind", "type", "per_year", "km")

_YOUNGEST_YEARS = 0.05
_HALF_A_FAILURE = 0.5


@dataclass(frozen=True)
class Ageing:
    """How one kind and type fails with age: a Weibull hazard, or one rate for all.

    Parameters
    ----------
    flat_per_year
        Failures per unit-year (km-year for sections) under watch [1/year].
    shape, scale_years
        Of its Weibull life; None where failures are too few.
    """

    flat_per_year: float
    shape: float | None = None
    scale_years: float | None = None

    def per_year(self, age_years: Floats) -> Floats:
        """Return the hazard at an age [1/year]; where it is not known, the flat one."""
        flat = np.full(age_years.shape, self.flat_per_year)
        if self.shape is None or self.scale_years is None:
            return flat
        age = np.maximum(age_years, _YOUNGEST_YEARS) / self.scale_years
        rising = self.shape / self.scale_years * age ** (self.shape - 1)
        return np.where(np.isfinite(age), rising, flat)

    def between(self, entry_years: Floats, leave_years: Floats) -> Floats:
        """Return the failures expected from an age to an age.

        Of unknown age, ``leave`` less ``entry`` times the flat rate.
        """
        flat = self.flat_per_year * (leave_years - entry_years)
        if self.shape is None or self.scale_years is None:
            return flat
        entry, leave = entry_years / self.scale_years, leave_years / self.scale_years
        return np.asarray(leave**self.shape - np.maximum(entry, 0.0) ** self.shape)


UNWATCHED = Ageing(0.02)
"""Of a kind that nobody watched: once in fifty years; common practice, no source."""


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


@once
def aged(lives: Lives) -> pd.DataFrame:
    """Return the life data with ``entry`` and ``leave``, ages of each life [years].

    Not a number where the age is not known. A section is mended, not renewed: its age
    is that of the ground it lies in.
    """
    return _aged(lives.frame)


def _aged(frame: pd.DataFrame) -> pd.DataFrame:
    born = (frame["installed"] + frame["installed_last"]) / 2
    born = np.minimum(born, frame["start"])
    return frame.assign(
        entry=(frame["start"] - born) / YEAR, leave=(frame["end"] - born) / YEAR
    )


class _Alike(NamedTuple):
    """Lives of one kind and type: ages, time under watch [years], length [km]."""

    entry: NDArray[np.float64]
    leave: NDArray[np.float64]
    years: NDArray[np.float64]
    length: NDArray[np.float64]
    failed: NDArray[np.bool_]


def _by_type(
    lives: Lives,
) -> Iterator[tuple[tuple[str, str], NDArray[np.int64], _Alike]]:
    """Yield kind and type, the rows of their lives, and these."""
    frame = aged(lives)
    years = ((frame["end"] - frame["start"]) / YEAR).to_numpy(float)
    columns = (
        *(frame[name].to_numpy(float) for name in ("entry", "leave")),
        years,
        frame["weight"].to_numpy(float),
        frame["failed"].to_numpy(bool),
    )
    groups = frame.groupby(["kind", "type"]).indices
    for (kind, type_), rows in sorted(groups.items()):
        yield (str(kind), str(type_)), rows, _Alike(*(one[rows] for one in columns))


@keeping
def ageing(lives: Lives) -> dict[tuple[str, str], Ageing]:
    """Return how each kind and type fails with age."""
    found = {}
    for group, _, some in _by_type(lives):
        flat = float(some.failed.sum() + _HALF_A_FAILURE) / max(
            float((some.years * some.length).sum()), 1.0
        )
        law = _at_age(some.entry, some.leave, some.failed, some.length)
        found[group] = Ageing(flat, *(law or (None, None)))
    return found


@keeping
def expected(lives: Lives) -> NDArray[np.float64]:
    """Return the failures expected of each life while under watch.

    From the hazards of its kind and type at its ages; of a kind and type that has
    failed, all lives together are expected to have failed as often as they did
    (an internally standardised ratio is 1 [1]_).

    References
    ----------
    .. [1] N. E. Breslow, N. E. Day, Statistical Methods in Cancer Research II (IARC
       1987), chapter 2; from memory.
    """
    laws, found = ageing(lives), np.zeros(len(lives.frame))
    for group, rows, some in _by_type(lives):
        law, dated = laws[group], np.isfinite(some.entry)
        entry = np.where(dated, some.entry, 0)
        by_age = law.between(entry, np.where(dated, some.leave, some.years))
        one = np.where(dated, by_age, law.flat_per_year * some.years) * some.length
        failed = float(some.failed.sum())
        found[rows] = one * (failed / one.sum() if failed and one.sum() else 1.0)
    return found


def hazards_now(lives: Lives) -> pd.DataFrame:
    """Return what is in place now with its hazard at its present age.

    A Weibull hazard where the kind and type has failures enough and the age is known;
    otherwise failures per year under watch. A section is mended, not renewed: its age
    is that of the ground it lies in.

    What was under watch for no time has the rate of ``UNWATCHED``.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``circuit_id``, ``section_id``, ``kind``, ``type``,
        ``per_year`` [1/year], of a section for its whole length, and ``km``, its
        length.
    """
    laws, register = ageing(lives), lives.register
    to_the_day = register.watched_until >= register.as_of
    frame = aged(lives) if to_the_day else _aged(all_lives(register))
    frame = frame[frame["end"] >= register.as_of]
    per_year = np.zeros(len(frame))
    leave, km = (frame[name].to_numpy(float) for name in ("leave", "weight"))
    for group, rows in frame.groupby(["kind", "type"]).indices.items():
        kind, type_ = (str(one) for one in group)
        rate = laws.get((kind, type_), UNWATCHED).per_year(leave[rows])
        per_year[rows] = rate * km[rows] if kind in SUPPLY else rate
    return frame.assign(per_year=per_year, km=km)[list(COLUMNS)]
