"""The alarm: on which day the records first said that a batch is bad.

A bet against chance. Each failure recorded is of one of the units then in place; were
the batch no worse than its peers, the chance that it is one of the batch would be the
batch's share of the hazard, whatever month, weather or office. A stake laid on the
batch grows with every failure that is its, and shrinks with every other, so that by
chance it does not grow on average [1]_, [2]_. Every month each batch gets a new stake,
all of them together ``ALARMS_PER_YEAR`` / 12; the alarm is raised when what they have
become reaches 1 [3]_. So the chance that a town without bad batches has raised any
alarm within so many years is at most that many times ``ALARMS_PER_YEAR``.

That holds for a share that is known. It is learned from peers, as recorded by the first
day of every third month; part of what that leaves unknown of it, and ``NO_WORSE``
beside, is granted to the batch. How often clean towns then raise an alarm is measured
(``tests.bench.batches``).

References
----------
.. [1] A. Wald, Sequential Analysis (1947); H. Robbins, Annals of Mathematical
   Statistics 41 (1970), 1397-1409, for mixtures; from memory.
.. [2] J. ter Schure, M. F. Pérez-Ortiz, A. Ly, P. Grünwald, The Safe Logrank Test,
   arXiv 2011.06931 (2020): valid whenever one stops.
.. [3] J. Shin, A. Ramdas, A. Rinaldo, E-detectors (2022): sums of such processes begun
   one after the other, after Shiryaev and Roberts; the bound is Doob's inequality.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from lightwatch.decisions.batches.ageing import BASIS, Counts, Curves, curves
from lightwatch.decisions.batches.tally import Tally, group_of

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

ALARMS_PER_YEAR = 0.05
"""False alarms allowed in a town without bad batches, all batches together."""

NO_WORSE = 1.1
"""A hazard so many times its peers' is no bad batch; no source. This and ``SURE`` were
set on thirty clean and thirty rough worlds that the figures do not use."""

FACTORS = np.array([1.6, 2.0, 2.5, 3.2, 4.0, 6.0, 10.0])
"""How many times worse a bad batch may be: stakes are spread over these evenly."""

SURE = 0.5
"""Standard errors of the share that are granted to the batch."""

EVERY_MONTHS = 3
"""So often the ageing of peers is learned anew."""


def stakes(at_risk: Floats) -> Floats:
    """Return the new stake on each batch by month: its share of the town's units."""
    there = at_risk.sum(axis=1)
    return np.asarray(ALARMS_PER_YEAR / 12 * there / np.maximum(there.sum(axis=0), 1.0))


def _share(counts: Counts, found: Curves, speaks: Bools, month: int) -> Floats:
    """Return each batch's share of the hazard, and the ratio granted, by batch."""
    there = counts.exposure[:, :, month]
    speaking = there * speaks[:, None]
    peers = speaking.sum(axis=0) - speaking
    hazard = found.hazard
    own, others = hazard * there, hazard * peers
    mine, theirs = own.sum(axis=1), others.sum(axis=1)
    share = mine / np.maximum(mine + theirs, 1e-300)
    apart = own @ BASIS / np.maximum(mine, 1e-300)[:, None]
    apart -= others @ BASIS / np.maximum(theirs, 1e-300)[:, None]
    spread = np.einsum("bi,bij,bj->b", apart, found.covariance, apart)
    granted = NO_WORSE * np.exp(SURE * np.sqrt(np.maximum(spread, 0.0)))
    return np.stack([share, granted])


def _odds(share: Floats, granted: Floats) -> tuple[Floats, Floats]:
    """Return the log growth of each stake for a failure of its own, and for any."""
    factor = np.maximum(FACTORS[None, :], granted[:, None])
    mine = np.log(factor / granted[:, None])
    low = 1 - share[:, None] + granted[:, None] * share[:, None]
    high = 1 - share[:, None] + factor * share[:, None]
    return mine, np.log(low / high)


def _rank_within(batch: Ints) -> Ints:
    """Return 1 for the first of each batch, 2 for its second, and so on."""
    order = np.argsort(batch, kind="stable")
    inverse = np.empty(batch.size, dtype=np.int64)
    inverse[order] = np.arange(batch.size)
    firsts = np.searchsorted(batch[order], batch)
    return np.asarray(inverse - firsts + 1)


@dataclass(frozen=True)
class Month:
    """The failures of one month in the order in which they were recorded."""

    batch: Ints
    recorded: Floats

    def first_over(
        self, log_wealth: Floats, odds: tuple[Floats, Floats]
    ) -> dict[int, float]:
        """Return batches whose stakes reached 1, and at which record."""
        mine, every = odds
        rank = np.arange(1, self.batch.size + 1)[:, None]
        own = _rank_within(self.batch)[:, None]
        grown = log_wealth[self.batch] + own * mine[self.batch]
        grown += rank * every[self.batch]
        over = np.flatnonzero(np.logaddexp.reduce(grown, axis=1) >= 0)
        return {int(self.batch[i]): float(self.recorded[i]) for i in over[::-1]}


def _by_month(events: pd.DataFrame, months: int) -> list[Month]:
    ordered = events.sort_values("month", kind="stable")
    edges = np.searchsorted(ordered["month"], np.arange(months + 1))
    batch = ordered["batch"].to_numpy(np.int64)
    recorded = ordered["recorded"].to_numpy(float)
    return [Month(batch[low:high], recorded[low:high]) for low, high in pairwise(edges)]


def _of_one_group(counts: Counts, events: pd.DataFrame, stake: Floats) -> Floats:
    """Return when the alarm was raised on each batch of a kind and type [instants]."""
    batches, _, months = counts.exposure.shape
    raised = np.full(batches, np.inf)
    log_wealth = np.full((batches, FACTORS.size), -np.inf)
    log_stake = np.log(np.maximum(stake, 1e-300) / FACTORS.size)
    found = curves(counts.until(0), np.isinf(raised))
    for month, some in enumerate(_by_month(events, months)):
        speaks = np.isinf(raised)
        if month % EVERY_MONTHS == 0 and month:
            found = curves(counts.until(month), speaks, found.coefficients)
        log_wealth = np.logaddexp(log_wealth, log_stake[:, month, None])
        kept = speaks[some.batch]
        some = Month(some.batch[kept], some.recorded[kept])
        odds = _odds(*_share(counts, found, speaks, month))
        for batch, at in some.first_over(log_wealth, odds).items():
            raised[batch] = at
        own = np.bincount(some.batch, minlength=batches)[:, None]
        log_wealth = log_wealth + own * odds[0] + some.batch.size * odds[1]
    return raised


def alarms(counted: Tally, table: pd.DataFrame) -> Floats:
    """Return when the alarm was raised on each batch [instant; infinite: never].

    Parameters
    ----------
    counted
        Of all batches.
    table
        The batches; those of a kind and type are each other's peers, until an alarm
        was raised on them.
    """
    raised = np.full(len(table), np.inf)
    group = group_of(table).to_numpy()
    stake = stakes(counted.at_risk[:, :, :-1])
    for number in np.unique(group):
        batches = np.flatnonzero(group == number)
        place = np.full(len(table), -1)
        place[batches] = np.arange(batches.size)
        events = counted.events[np.isin(counted.events["batch"], batches)]
        events = events.assign(batch=place[events["batch"]])
        raised[batches] = _of_one_group(counted.seen(batches), events, stake[batches])
    return raised
