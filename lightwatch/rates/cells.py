"""Lexis cells: time under watch by age, group and calendar month, in O(n).

A life adds one at the month in which its watch begins and takes one off at the month
in which it ends, on the diagonal of its birth month; sums along the diagonals then give
the exposure of every cell without a row per life and month. It is exact for whatever
depends on group, age and month only [1]_.

References
----------
.. [1] N. Keiding, Statistical inference in the Lexis diagram, Philosophical
   Transactions of the Royal Society A 332 (1990), 487-509; from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLOCK = 1 << 19
"""Lives taken at a time, to bound memory."""


@dataclass(frozen=True)
class Failures:
    """Failures as they became known; equal ones are one entry with a count.

    Parameters
    ----------
    birth_month, group
        Of the life that ended.
    first_month, noticed_month
        The failure lies in one of these months or between them.
    delay_class
        Row of the delay table that tells how soon such a failure is noticed.
    count
        How many (weighted) failures this entry stands for.
    """

    birth_month: Ints
    group: Ints
    first_month: Ints
    noticed_month: Ints
    delay_class: Ints
    count: Floats


@dataclass(frozen=True)
class Cells:
    """Exposure and failures by age band, group and calendar month.

    Parameters
    ----------
    exposure
        Certain time under watch [unit-months], ages by groups by months.
    still_watched
        The part of it that belongs to lives not known to have failed by the end.
    failures
        What ended the others.
    age_edges_months
        Edges of the age bands [months], one more than there are bands.
    delay_months
        Months over which a failure may be spread, its month of notice included;
        1 where the month of failure is known.
    """

    exposure: Floats
    still_watched: Floats
    failures: Failures
    age_edges_months: Ints
    delay_months: int

    @property
    def shape(self) -> tuple[int, int, int]:
        """Age bands, groups, months."""
        ages, groups, months = self.exposure.shape
        return ages, groups, months

    def band(self, age_months: Ints) -> Ints:
        """Return the age band of ages [months]; beyond the last edge, the last band."""
        found = np.searchsorted(self.age_edges_months, age_months, side="right") - 1
        return np.asarray(np.clip(found, 0, self.shape[0] - 1), dtype=np.int64)


def _diagonals(
    birth: Ints, at: Floats, group: Ints, sign: Floats, shape: tuple[int, int, int]
) -> Floats:
    """Return steps of exposure on the diagonals; a part of a month counts as such."""
    births, groups, months = shape
    month = np.minimum(at.astype(np.int64), months - 1)
    place = (birth * groups + group) * (months + 1) + month
    size = births * groups * (months + 1)
    part = (at - month) * sign
    steps = np.bincount(place, sign - part, size)
    steps += np.bincount(place + 1, part, size)
    return steps


def _by_age(
    diagonal: Floats, first_birth: int, edges: Ints, shape: tuple[int, int, int]
) -> Floats:
    """Collapse diagonals, births by groups by months, to age bands."""
    births, groups, months = shape
    running = np.cumsum(diagonal.reshape(births, groups, months + 1), axis=2)
    band_of = np.searchsorted(edges, np.arange(births + months), side="right") - 1
    band_of = np.minimum(band_of, edges.size - 2)
    made = np.zeros((edges.size - 1, months, groups))
    for row in range(births):
        born = first_birth + row
        month = np.arange(max(born, 0), months)
        made[band_of[month - born], month] += running[row, :, month]
    return np.ascontiguousarray(made.transpose(0, 2, 1))


def _blocks(size: int) -> Iterator[slice]:
    return (slice(at, at + BLOCK) for at in range(0, size, BLOCK))


def _first_possible(
    entry: Floats, noticed: Ints, birth: Ints, earliest: Ints | None, delay_months: int
) -> Ints:
    first = np.maximum(noticed - delay_months + 1, entry.astype(np.int64))
    first = np.maximum(first, birth)
    if earliest is not None:
        first = np.maximum(first, earliest)
    return np.minimum(first, noticed)


def _merge(failures: Failures) -> Failures:
    """Count equal failures once."""
    parts = [
        failures.birth_month,
        failures.group,
        failures.first_month,
        failures.noticed_month,
        failures.delay_class,
    ]
    code = np.zeros(failures.group.size, dtype=np.int64)
    for part in parts:
        low = int(part.min(initial=0))
        code = code * (int(part.max(initial=0)) - low + 1) + part - low
    _, kept, which = np.unique(code, return_index=True, return_inverse=True)
    count = np.bincount(which, failures.count, kept.size)
    return Failures(*(part[kept] for part in parts), count)


def cells(
    birth_month: npt.ArrayLike,
    entry_month: npt.ArrayLike,
    exit_month: npt.ArrayLike,
    failed: npt.ArrayLike,
    group: npt.ArrayLike,
    *,
    n_months: int,
    n_groups: int | None = None,
    age_edges_months: npt.ArrayLike | None = None,
    earliest_month: npt.ArrayLike | None = None,
    delay_class: npt.ArrayLike | None = None,
    delay_months: int = 1,
    until_month: float | None = None,
    weight: npt.ArrayLike | None = None,
) -> Cells:
    """Sum lives into cells of age, group and calendar month.

    Parameters
    ----------
    birth_month
        Whole month of installation, on the calendar whose month 0 is the first of the
        weather; may be negative.
    entry_month, exit_month
        When watch begins and ends [months on that calendar], with decimals: 2.5 is the
        middle of month 2. For a failure the exit is when it was noticed.
    failed
        Whether the exit is a failure.
    group
        Whole numbers from 0; a group has one station and one level of effect.
    n_months, n_groups
        Of the calendar; of groups, by default those that occur.
    age_edges_months
        Edges of age bands; by default each month of age is its own band.
    earliest_month
        First month in which each failure can lie, as the light was seen lit before;
        read only where failed.
    delay_class
        Row of the delay table for each failure; read only where failed.
    delay_months
        Months over which failures are spread; 1: the month of notice is that of
        failing.
    until_month
        End of the watch as a whole; lives that reach it may hold unnoticed failures.
    weight
        Of each life, such as its length [km]; by default 1.

    Returns
    -------
    Cells
        Unit-months and failures.
    """
    birth = np.asarray(birth_month, dtype=np.int64)
    born_first = int(birth.min(initial=0))
    oldest = n_months - 1 - born_first
    edges = (
        np.arange(oldest + 2)
        if age_edges_months is None
        else np.asarray(age_edges_months, dtype=np.int64)
    )
    if edges.size < 2 or edges[0] != 0 or np.any(np.diff(edges) <= 0):
        raise ValueError("edges of age bands must rise from 0")
    kind = np.asarray(group, dtype=np.int64)
    entry = np.clip(np.asarray(entry_month, dtype=np.float64), 0, n_months)
    leave = np.clip(np.asarray(exit_month, dtype=np.float64), entry, n_months)
    ended = np.flatnonzero(np.asarray(failed))
    noticed = np.minimum(leave[ended].astype(np.int64), n_months - 1)
    limit = None if earliest_month is None else _ints(earliest_month)[ended]
    first = _first_possible(entry[ended], noticed, birth[ended], limit, delay_months)
    if delay_months > 1:
        leave = leave.copy()
        leave[ended] = np.maximum(first, entry[ended])
    heavy = None if weight is None else np.asarray(weight, dtype=np.float64)
    count = np.ones(ended.size) if heavy is None else heavy[ended]
    row = np.zeros(ended.size, np.int64)
    if delay_class is not None:
        row = _ints(delay_class)[ended]
    failures = Failures(birth[ended], kind[ended], first, noticed, row, count)
    groups = int(kind.max(initial=0)) + 1 if n_groups is None else n_groups
    shape = (int(birth.max(initial=0)) - born_first + 1, groups, n_months)
    end = float(n_months if until_month is None else until_month)
    alive = np.ones(birth.size, dtype=np.bool_)
    alive[ended] = False
    open_ = alive & (leave >= min(end, n_months) - 1e-9)
    watched = np.zeros(shape[0] * groups * (n_months + 1))
    still = np.zeros(watched.size if delay_months > 1 else 0)
    for part in _blocks(birth.size):
        sign = np.ones(birth[part].size) if heavy is None else heavy[part]
        who = (birth[part] - born_first, kind[part])
        watched += _diagonals(who[0], entry[part], who[1], sign, shape)
        watched += _diagonals(who[0], leave[part], who[1], -sign, shape)
        if delay_months > 1:
            sign = sign * open_[part]
            still += _diagonals(who[0], entry[part], who[1], sign, shape)
            still += _diagonals(who[0], leave[part], who[1], -sign, shape)
    exposure = np.maximum(_by_age(watched, born_first, edges, shape), 0)
    held = np.maximum(_by_age(still, born_first, edges, shape), 0) if still.size else (
        np.zeros((0, groups, n_months))
    )  # fmt: skip
    merged = _merge(failures) if delay_months > 1 else failures
    return Cells(exposure, held, merged, edges, delay_months)


def _ints(values: npt.ArrayLike) -> Ints:
    return np.asarray(values, dtype=np.int64)
