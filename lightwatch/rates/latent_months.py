"""Failures whose month is not known: shared over the months in which they may lie.

Given the hazard, a failure noticed in month n fell in month m with a chance in
proportion to surviving until m, failing in it, and being noticed n - m months later.
These shares are the E-step of the EM algorithm [1]_; the spread of the score over them
is the information lost by not knowing the month [2]_.

References
----------
.. [1] A. P. Dempster, N. M. Laird, D. B. Rubin, Journal of the Royal Statistical
   Society B 39 (1977), 1-38; for delays, N. G. Becker, L. F. Watson, J. B. Carlin,
   Statistics in Medicine 10 (1991), 1527-1542; from memory.
.. [2] T. A. Louis, Journal of the Royal Statistical Society B 44 (1982), 226-233; from
   memory.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from lightwatch.errors import NotUnderstood
from lightwatch.rates.cells import Cells, Failures

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLOCK = 4096
"""Failures taken at a time, to bound memory."""


@dataclass(frozen=True)
class Shares:
    """Expected failures and expected time under watch of failures, cell by cell.

    Parameters
    ----------
    failures, exposure
        Ages by places (groups and months) [failures, unit-months].
    lost
        Information lost by not knowing the months; empty if not asked for.
    log_likelihood
        Of the failures' own intervals.
    """

    failures: Floats
    exposure: Floats
    lost: Floats
    log_likelihood: float


@dataclass(frozen=True)
class Spread:
    """The months in which each failure may lie, failures by months, fewest first.

    Parameters
    ----------
    age, place
        Age band, and group and month in one number.
    open
        Whether the month is within the failure's interval.
    log_noticed
        Log chance to be noticed when it was, failing then.
    count
        Failures that each row stands for.
    """

    age: Ints
    place: Ints
    open: Bools
    log_noticed: Floats
    count: Floats


def _in_order(failures: Failures) -> Failures:
    """Return failures by the number of months in which they may lie."""
    order = np.argsort(failures.noticed_month - failures.first_month, kind="stable")
    return Failures(*(getattr(failures, one.name)[order] for one in fields(failures)))


def spread(cells: Cells, delay: Floats) -> Spread:
    """Lay out the months in which each failure may lie.

    Parameters
    ----------
    cells
        Cells made with ``delay_months`` as wide as the table.
    delay
        Chance to be noticed so many months after failing, classes by months.

    Raises
    ------
    NotUnderstood
        A failure could not have been noticed when it was.
    """
    known = _in_order(cells.failures)
    _, _, months = cells.shape
    month = known.first_month[:, None] + np.arange(cells.delay_months)
    open_ = month <= known.noticed_month[:, None]
    month = np.minimum(month, known.noticed_month[:, None])
    age = cells.band(np.maximum(month - known.birth_month[:, None], 0))
    place = known.group[:, None] * months + month
    late = known.noticed_month[:, None] - month
    chance = np.where(open_, delay[known.delay_class[:, None], late], 0.0)
    if np.any(chance.sum(axis=1) <= 0):
        raise NotUnderstood(
            "a failure lies in months from which it could not have been noticed when "
            "it was (expected a delay table that reaches over its interval)"
        )
    with np.errstate(divide="ignore"):
        return Spread(age, place, open_, np.log(chance), known.count)


def share(
    where: Spread,
    log_hazard: tuple[Floats, Floats],
    columns: tuple[Floats, Floats, Bools] | None,
    shape: tuple[int, int],
) -> Shares:
    """Share failures over their months.

    Parameters
    ----------
    where
        From ``spread``.
    log_hazard
        Age's part and the places' part of the log hazard per month.
    columns
        Terms of ages and of places, and which places take part in the fit, to find the
        information lost; none: not wanted.
    shape
        Age bands and places.
    """
    size = shape[0] * shape[1]
    failures, exposure = np.zeros(size), np.zeros(size)
    width = 0 if columns is None else columns[0].shape[1] + columns[1].shape[1]
    lost, log_likelihood = np.zeros((width, width)), 0.0
    for at in range(0, where.count.size, BLOCK):
        some = slice(at, at + BLOCK)
        widest = int(where.open[some].sum(axis=1).max())
        part = some, slice(0, widest)
        age, place, count = where.age[part], where.place[part], where.count[some]
        hazard_log = log_hazard[0][age] + log_hazard[1][place]
        hazard = np.exp(hazard_log) * where.open[part]
        before = np.cumsum(hazard, axis=1) - hazard / 2
        log_chance = where.log_noticed[part] + hazard_log - before
        most = log_chance.max(axis=1, keepdims=True)
        chance = np.exp(log_chance - most)
        total = chance.sum(axis=1, keepdims=True)
        chance /= total
        log_likelihood += float(count @ (most + np.log(total))[:, 0])
        after = 1 - np.cumsum(chance, axis=1) + chance / 2
        cell = (age * shape[1] + place).ravel()
        weight = count[:, None]
        failures += np.bincount(cell, (chance * weight).ravel(), size)
        watched = after * where.open[part] * weight
        exposure += np.bincount(cell, watched.ravel(), size)
        if columns is not None:
            lost += _lost(age, place, hazard, chance, count, columns)
    return Shares(
        failures.reshape(shape), exposure.reshape(shape), lost, log_likelihood
    )


def _lost(
    age: Ints,
    place: Ints,
    hazard: Floats,
    chance: Floats,
    count: Floats,
    columns: tuple[Floats, Floats, Bools],
) -> Floats:
    """Return the variance of the score over the months, given what is known."""
    terms = np.concatenate([columns[0][age], columns[1][place]], axis=2)
    terms *= columns[2][place][:, :, None]
    risk = terms * hazard[:, :, None]
    score = terms - np.cumsum(risk, axis=1) + risk / 2
    mean = np.einsum("im,imk->ik", chance, score)
    score -= mean[:, None, :]
    score *= np.sqrt(chance * count[:, None])[:, :, None]
    flat = score.reshape(-1, score.shape[2])
    return np.asarray(flat.T @ flat)
