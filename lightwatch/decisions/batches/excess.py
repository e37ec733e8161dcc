"""Excess: failures of a batch against those its peers would have had.

Peers of the same kind and type, at the same ages in the same months, without the batch
and without those on which an alarm was raised. The ratio is drawn towards that of all
batches (:mod:`lightwatch.decisions.batches.law`); what is expected rests on the
failures of peers, and limits are the wider the fewer these are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lightwatch.decisions.batches.ageing import (
    BASIS,
    EDGES_MONTHS,
    MONTH_SHAPE,
    Counts,
    curves,
)
from lightwatch.decisions.batches.law import ratios
from lightwatch.decisions.batches.tally import Tally, cells_of, group_of
from lightwatch.decisions.batches.units import Units
from lightwatch.lives.exposure import month_of

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

AHEAD_MONTHS = 24


@dataclass(frozen=True)
class Excess:
    """By batch: failures, expected ones, their ratio with limits, and what is ahead.

    ``known`` tells which batches have peers; the rest is 0 or 1 elsewhere. ``ahead`` is
    expected of the units in place in the next two years were they as their peers,
    ``renewed`` of as many new ones, as peers when new.
    """

    known: Bools
    failures: Floats
    expected: Floats
    ratio: Floats
    low: Floats
    high: Floats
    ahead: Floats
    renewed: Floats


def _ahead(units: Units, hazard: Floats) -> tuple[Floats, Floats]:
    """Return failures expected in two years, of what is in place and of new units."""
    standing = units.standing
    now = np.floor(month_of([units.as_of])[0])
    age = (now - np.ceil(month_of(standing["born"]))).astype(np.int64)
    old = np.clip(age, 0, EDGES_MONTHS[-1])
    shape = (len(hazard), 2, EDGES_MONTHS[-1] + 1)
    again = standing["again"].to_numpy(np.int64)
    flat = np.ravel_multi_index((standing["batch"], again, old), shape)
    there = np.bincount(flat, minlength=int(np.prod(shape))).reshape(shape)
    ages, which = np.arange(shape[2]), np.array([[0], [1]])
    ahead, renewed = np.zeros(len(hazard)), np.zeros(len(hazard))
    for month in range(AHEAD_MONTHS):
        ahead += (there * hazard[:, cells_of(ages + month, which)]).sum(axis=(1, 2))
        new = hazard[:, cells_of(month, which[:, 0])]
        renewed += (there.sum(axis=2) * new).sum(axis=1)
    return ahead, renewed


@dataclass(frozen=True)
class _Expected:
    """What peers would have had, by batch of one kind and type.

    ``evidence`` is the number of failures on which that rests, ``hazard`` peers' by
    cell [per unit-month], ``known`` whether there are peers at all.
    """

    failures: Floats
    evidence: Floats
    hazard: Floats
    known: Bools


def _expected(counts: Counts, alarmed: Bools) -> _Expected:
    found = curves(counts, ~alarmed)
    due = np.matmul(found.hazard[:, None, :], counts.exposure)[:, 0] * found.months
    total = np.maximum(due.sum(axis=1), 1e-300)
    by_cell = np.matmul(counts.exposure, found.months[:, :, None])[:, :, 0]
    mean = (found.hazard * by_cell) @ BASIS / total[:, None]
    variance = np.einsum("bi,bij,bj->b", mean, found.covariance, mean)
    part = (due / total[:, None]) ** 2
    variance += (part / (found.month_failures + MONTH_SHAPE)).sum(axis=1)
    watched = counts.exposure.sum(axis=(1, 2)) * ~alarmed
    known = (watched.sum() - watched > 0) & (due.sum(axis=1) > 0)
    evidence = 1.0 / np.maximum(variance, 1e-9)
    return _Expected(due.sum(axis=1), evidence, found.hazard, known)


def excess(units: Units, counted: Tally, alarmed: Bools) -> Excess:
    """Compare each batch with its peers.

    Parameters
    ----------
    units, counted
        Units of batches and their monthly count.
    alarmed
        Batches that are no measure for others.
    """
    size = len(units.table)
    failures = counted.failures.sum(axis=(1, 2))
    expected, evidence = np.zeros(size), np.zeros(size)
    hazard = np.zeros((size, BASIS.shape[0]))
    known = np.zeros(size, dtype=bool)
    exposure = counted.exposure()
    group = group_of(units.table).to_numpy()
    for number in np.unique(group):
        of = np.flatnonzero(group == number)
        found = _expected(Counts(counted.failures[of], exposure[of]), alarmed[of])
        expected[of], evidence[of] = found.failures, found.evidence
        hazard[of], known[of] = found.hazard, found.known
    ratio, low, high = np.ones(size), np.zeros(size), np.full(size, np.inf)
    if known.any():
        drawn = ratios(failures[known], expected[known], evidence[known])
        ratio[known], low[known], high[known] = drawn.mean, drawn.low, drawn.high
    ahead, renewed = _ahead(units, hazard)
    return Excess(known, failures, expected, ratio, low, high, ahead, renewed)
