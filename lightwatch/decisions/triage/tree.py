"""Exact inference of faults on supply trees, all circuits at once.

A fault on a section leaves everything beyond it dark from its onset on. Every set of
faulted sections, each at every onset, is summed over by one pass from the ends of the
tree to the source and one back (sum-product on a tree: Pearl 1988; the algebra for
supply trees is worked out in the method notes). Cost: sections x onsets.

Onsets are bins of time, oldest first; one more state, the last, is "never": fed.

Where it is not known which lights hang on one feed, a feed may begin anew at any node,
each with its chance (``Anew``). The same two passes then sum over every way of cutting
the tree into feeds as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Forest:
    """Supply trees; a node is a section with what hangs at its far end.

    Parameters
    ----------
    parent
        Shape (n,): the node upstream; -1 for a source.

    Raises
    ------
    ValueError
        A node feeds itself.
    """

    parent: Ints

    @cached_property
    def levels(self) -> tuple[Ints, ...]:
        """Nodes by their number of sections to the source, sources first."""
        depth = np.where(self.parent < 0, 0, -1)
        above = self.parent
        found = [np.flatnonzero(depth == 0)]
        while len(found[-1]):
            reached = (depth < 0) & (depth[above] == len(found) - 1)
            depth[reached] = len(found)
            found.append(np.flatnonzero(reached))
        if (depth < 0).any():
            raise ValueError(f"node {int(np.flatnonzero(depth < 0)[0])} feeds itself")
        return tuple(found[:-1])

    @cached_property
    def source(self) -> Ints:
        """Shape (n,): the source of each node."""
        at = np.arange(len(self.parent))
        for level in self.levels[1:]:
            at[level] = at[self.parent[level]]
        return at

    def gather(self, node: Ints, values: Floats) -> Floats:
        """Add up at each node the rows of values that hang there: shape (n, ...)."""
        shape = (len(self.parent), len(node))
        ones = np.ones(len(node))
        total: Floats = csr_array((ones, (node, np.arange(len(node)))), shape) @ values
        return total

    def beyond(self, counts: Floats) -> Floats:
        """Return for each node the sum of counts at it and beyond it."""
        total = np.array(counts, dtype=float)
        for level in self.levels[:0:-1]:
            np.add.at(total, self.parent[level], total[level])
        return total


@dataclass(frozen=True)
class Faults:
    """Posterior of faults on supply trees.

    Parameters
    ----------
    log_evidence
        Shape (n,): at sources, the log of all fault sets' weight against none's.
    onset
        Shape (n, K): this section is faulted and nothing upstream of it earlier, by
        the bin of its onset.
    state
        Shape (n, K + 1): what hangs here is dark since each bin, or never.
    """

    log_evidence: Floats
    onset: Floats
    state: Floats

    @property
    def at_fault(self) -> Floats:
        """Shape (n,): this section's fault is what keeps its lights dark."""
        total: Floats = self.onset.sum(axis=1)
        return total

    @property
    def dark(self) -> Floats:
        """Shape (n,): what hangs here is dark by a fault upstream."""
        chance: Floats = 1.0 - self.state[:, -1]
        return np.clip(chance, 0.0, 1.0)


@dataclass(frozen=True)
class Anew:
    """Where another feed may begin than the one that feeds the node upstream.

    Parameters
    ----------
    chance
        Shape (n,): probability that one begins at the node.
    per_night
        Shape (n,): odds per night that its source fails [1/night].
    """

    chance: Floats
    per_night: Floats

    @cached_property
    def logs(self) -> tuple[Floats, Floats]:
        """Log probability that the node's feed goes on, and that one begins."""
        with np.errstate(divide="ignore"):
            return np.log1p(-self.chance)[:, None], np.log(self.chance)[:, None]


def _running(log_values: Floats) -> Floats:
    """Return the log of the sums of all before each column: shape (n, K + 1)."""
    sums = np.logaddexp.accumulate(log_values, axis=1)
    first = np.full((len(sums), 1), -np.inf)
    return np.concatenate([first, sums], axis=1)


def _upward(
    forest: Forest,
    evidence: Floats,
    per_night: Floats,
    nights: Floats,
    anew: Anew | None = None,
) -> tuple[Floats, Floats]:
    """Return for each node the weight of what it and all beyond it show.

    ``below``: given the state at its far end; ``whole``: given the state that reaches
    its near end, its own fault summed over. Both logs, shape (n, K + 1).
    """
    below = np.array(evidence, dtype=float)
    whole = np.empty_like(below)
    later = np.append(np.cumsum(nights[::-1])[::-1], 0.0)
    with np.errstate(divide="ignore"):
        log_hazard = np.log(per_night)[:, None] + np.log(nights)[None, :]
    for depth in range(len(forest.levels) - 1, -1, -1):
        level = forest.levels[depth]
        if depth + 1 < len(forest.levels):
            children = forest.levels[depth + 1]
            np.add.at(below, forest.parent[children], whole[children])
        masked = np.log1p(per_night[level][:, None] * later[None, :])
        own = _running(log_hazard[level] + below[level, :-1])
        whole[level] = np.logaddexp(below[level] + masked, own)
        if anew is not None:
            every = per_night[level] * nights.sum()
            on, begun = (part[level] for part in anew.logs)
            fresh = _odds(anew, level, per_night, nights) + below[level]
            fresh = begun + np.logaddexp.reduce(fresh, axis=1)[:, None]
            whole[level] += on - np.log1p(every)[:, None]
            whole[level] = np.logaddexp(whole[level], fresh)
    return below, whole


def _odds(anew: Anew, level: Ints, per_night: Floats, nights: Floats) -> Floats:
    """Return the log probability of each state where a feed begins: (level, K + 1)."""
    rate = (per_night[level] + anew.per_night[level])[:, None]
    odds = np.concatenate([rate * nights[None, :], np.ones_like(rate)], axis=1)
    with np.errstate(divide="ignore"):
        found: Floats = np.log(odds) - np.log1p(rate * nights.sum())
    return found


def fault_evidence(
    forest: Forest, evidence: Floats, per_night: Floats, nights: Floats
) -> Floats:
    """Return the log weight of all fault sets at each source: shape (n,).

    Parameters are those of :func:`faults`; without its second pass.
    """
    _, whole = _upward(forest, evidence, per_night, nights)
    return np.where(forest.parent < 0, whole[:, -1], np.nan)


def faults(
    forest: Forest,
    evidence: Floats,
    per_night: Floats,
    nights: Floats,
    anew: Anew | None = None,
) -> Faults:
    """Return the exact posterior over all sets of faults and their onsets.

    Parameters
    ----------
    forest
        n nodes.
    evidence
        Shape (n, K + 1): log-likelihood of all that was observed at each node, given
        that it is dark by the feed since bin k, or (last) not at all.
    per_night
        Shape (n,): odds per night that the section into the node fails [1/night].
    nights
        Shape (K,): width of the onset bins, oldest first [nights].
    anew
        Where feeds may begin, if that is not known; the evidence is then against
        none of it, each node's prior summing to 1.

    Returns
    -------
    Faults
        Probabilities; memory is 5 arrays of shape (n, K + 1).
    """
    below, whole = _upward(forest, evidence, per_night, nights, anew)
    later = np.append(np.cumsum(nights[::-1])[::-1], 0.0)
    with np.errstate(divide="ignore"):
        log_nights = np.log(nights)
        log_hazard = np.log(per_night)
    reaching = np.full_like(below, -np.inf)
    reaching[forest.levels[0], -1] = 0.0
    onset = np.zeros((len(below), len(nights)))
    state = np.empty_like(below)
    top = whole[forest.source, -1][:, None]
    for depth, level in enumerate(forest.levels):
        if depth:
            above = forest.parent[level]
            reaching[level] = state[above] - whole[level]
        came = reaching[level]
        after = np.logaddexp.accumulate(came[:, :0:-1], axis=1)[:, ::-1]
        own = log_hazard[level][:, None] + log_nights[None, :] + after
        left = came + np.log1p(per_night[level][:, None] * later[None, :])
        if anew is not None:
            on, begun = (part[level] for part in anew.logs)
            on = on - np.log1p(per_night[level] * nights.sum())[:, None]
            fresh = begun + np.logaddexp.reduce(came, axis=1)[:, None]
            fresh = fresh + _odds(anew, level, per_night, nights)
            own, left = np.logaddexp(own + on, fresh[:, :-1]), left + on
            left[:, -1] = np.logaddexp(left[:, -1], fresh[:, -1])
        onset[level] = np.exp(own + below[level, :-1] - top[level])
        left[:, :-1] = np.logaddexp(left[:, :-1], own)
        state[level] = left + below[level]
    log_evidence = np.where(forest.parent < 0, whole[:, -1], np.nan)
    return Faults(log_evidence, onset, np.exp(state - top))
