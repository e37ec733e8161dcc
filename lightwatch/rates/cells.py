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

from dataclasses import dataclass, replace

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

    @property
    def middle_months(self) -> Floats:
        """Middle whole month of age of each band [months]."""
        edges = self.age_edges_months
        return np.asarray((edges[:-1] + edges[1:] - 1) / 2)

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
    both = np.concatenate([place, place + 1])
    steps = np.bincount(both, np.concatenate([sign - part, part]), size)
    return np.asarray(steps, dtype=np.float64)


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


@dataclass(frozen=True)
class _Watch:
    """Lives as given, cut to the calendar."""

    birth: Ints
    group: Ints
    entry: Floats
    leave: Floats
    weight: Floats

    def exposure(
        self, edges: Ints, groups: int, months: int, counted: Bools | None = None
    ) -> Floats:
        """Return unit-months by age, group and month, of all lives or those counted."""
        first = int(self.birth.min(initial=0))
        shape = (int(self.birth.max(initial=0)) - first + 1, groups, months)
        steps = np.zeros(shape[0] * groups * (months + 1))
        for at in range(0, self.birth.size, BLOCK):
            part = slice(at, at + BLOCK)
            row, kind = self.birth[part] - first, self.group[part]
            sign = self.weight[part]
            if counted is not None:
                sign = sign * counted[part]
            steps += _diagonals(row, self.entry[part], kind, sign, shape)
            steps += _diagonals(row, self.leave[part], kind, -sign, shape)
        return np.maximum(_by_age(steps, first, edges, shape), 0)


def _failures(
    watch: _Watch,
    ended: Ints,
    earliest: npt.ArrayLike | None,
    delay_class: npt.ArrayLike | None,
    calendar: tuple[int, int],
    heavy: Floats,
) -> Failures:
    """Return failures with the months in which they may lie."""
    months, delay_months = calendar
    birth, entry = watch.birth[ended], watch.entry[ended]
    noticed = np.minimum(watch.leave[ended].astype(np.int64), months - 1)
    first = np.maximum(noticed - delay_months + 1, entry.astype(np.int64))
    first = np.maximum(first, birth)
    if earliest is not None:
        first = np.maximum(first, _ints(earliest)[ended])
    first = np.minimum(first, noticed)
    row = np.zeros(ended.size, np.int64)
    if delay_class is not None:
        row = _ints(delay_class)[ended]
    weight = heavy[ended]
    return Failures(birth, watch.group[ended], first, noticed, row, weight)


def _merge(failures: Failures) -> Failures:
    """Count equal failures once."""
    kinds = ("birth_month", "group", "first_month", "noticed_month", "delay_class")
    parts = [getattr(failures, name) for name in kinds]
    code = np.zeros(failures.group.size, dtype=np.int64)
    for part in parts:
        low = int(part.min(initial=0))
        code = code * (int(part.max(initial=0)) - low + 1) + part - low
    _, kept, which = np.unique(code, return_index=True, return_inverse=True)
    count = np.asarray(np.bincount(which, failures.count, kept.size), float)
    made = dict(zip(kinds, (part[kept] for part in parts), strict=True))
    return replace(failures, count=count, **made)


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
    failure_weight: npt.ArrayLike | None = None,
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
    failure_weight
        Of each failure, where it is not that of its life.

    Returns
    -------
    Cells
        Unit-months and failures.
    """
    birth, kind = _ints(birth_month), _ints(group)
    entry = np.clip(np.asarray(entry_month, dtype=np.float64), 0, n_months)
    leave = np.clip(np.asarray(exit_month, dtype=np.float64), entry, n_months)
    heavy = np.ones(birth.size) if weight is None else np.asarray(weight, float)
    whole = heavy if failure_weight is None else np.asarray(failure_weight, float)
    watch = _Watch(birth, kind, entry, leave, heavy)
    edges = _edges(age_edges_months, n_months - int(birth.min(initial=0)))
    groups = int(kind.max(initial=0)) + 1 if n_groups is None else n_groups
    ended = np.flatnonzero(np.asarray(failed))
    calendar = (n_months, delay_months)
    failures = _failures(watch, ended, earliest_month, delay_class, calendar, whole)
    if delay_months == 1:
        exposure = watch.exposure(edges, groups, n_months)
        return Cells(exposure, np.zeros_like(exposure[:0]), failures, edges, 1)
    end = min(float(n_months if until_month is None else until_month), n_months)
    still = leave >= end - 1e-9
    still[ended] = False
    certain = leave.copy()
    certain[ended] = np.maximum(failures.first_month, entry[ended])
    watch = replace(watch, leave=certain)
    exposure = watch.exposure(edges, groups, n_months)
    held = watch.exposure(edges, groups, n_months, still)
    return Cells(exposure, held, _merge(failures), edges, delay_months)


def _edges(wished: npt.ArrayLike | None, oldest: int) -> Ints:
    edges = np.arange(oldest + 1) if wished is None else _ints(wished)
    if edges.size < 2 or edges[0] != 0 or np.any(np.diff(edges) <= 0):
        raise ValueError("edges of age bands must rise from 0")
    return edges


def _ints(values: npt.ArrayLike) -> Ints:
    return np.asarray(values, dtype=np.int64)
