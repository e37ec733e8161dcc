"""How much any crew could find at most, which streets that takes, what time is worth.

The linear relaxation of the patrol: columns carry looking and driving, what goes into a
junction comes out of it, the time is kept, a street is looked at once. What is looked
at must hang on the depot; where it does not, cuts are added and it is solved again, by
HiGHS. The duals tell what a second more would find. Streets that no such solution looks
at are hardly ever worth a look.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_matrix, vstack
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from lightwatch.decisions.patrol.problem import Flags, Floats, Ints
from lightwatch.decisions.patrol.ways import Ways

MOST_PASSES = 6
"""So often at most is a street driven each way by a crew."""

MOST_SETS, MOST_OF_A_SET = 40, 12
"""Sets of junctions looked for in a round, and rules made for each."""

_BROKEN = 1e-3
_WHOLE = 1e6


@dataclass(frozen=True)
class Programme:
    """Rules that every plan keeps: ``rules`` x <= ``limits``, ``balance`` x = 0."""

    worth: Floats
    most: Floats
    rules: csr_matrix
    limits: Floats
    balance: csr_matrix

    def cut(self, cuts: list[csr_matrix]) -> Programme:
        """Return the same with more rules, each with the limit 0."""
        return Programme(
            self.worth,
            self.most,
            vstack([self.rules, *cuts]).tocsr(),
            np.append(self.limits, np.zeros(len(cuts))),
            self.balance,
        )


@dataclass(frozen=True)
class Relaxed:
    """What the relaxation tells.

    Parameters
    ----------
    bound
        No plan finds more that drives a street at most six times each way [lights].
    price_per_s
        What a second more of a crew's time would find [lights].
    looked
        Of each task the most that any round looked at it.
    programme
        The rules, cuts among them.
    """

    bound: float
    price_per_s: float
    looked: Floats
    programme: Programme


def programme(ways: Ways, worth: Floats, budget_s: float, crews: int) -> Programme:
    """Return the rules of the patrol; ``worth`` is that of each task."""
    columns, size = len(ways.tail), len(ways.net.places)
    looks = np.flatnonzero(ways.task >= 0)
    time = csr_matrix(ways.seconds[None, :])
    once = csr_matrix(
        (np.ones(len(looks)), (ways.task[looks], looks)), shape=(len(worth), columns)
    )
    ends = np.concatenate([ways.tail, ways.head])
    balance = csr_matrix(
        (np.repeat([1.0, -1.0], columns), (ends, np.tile(np.arange(columns), 2))),
        shape=(size, columns),
    )
    return Programme(
        np.append(worth, 0.0)[ways.task],
        np.where(ways.task >= 0, 1.0, MOST_PASSES * crews),
        vstack([time, once]).tocsr(),
        np.append(budget_s * crews, np.ones(len(worth))),
        balance,
    )


def relaxed(
    ways: Ways,
    worth: Floats,
    budget_s: float,
    crews: int,
    *,
    over: Callable[[], bool],
) -> Relaxed | None:
    """Solve and cut until told to stop, once at least; None if it cannot be solved.

    Parameters
    ----------
    ways
        What may be driven and looked at.
    worth
        Of each task [lights].
    budget_s, crews
        Time of each crew [s], and how many.
    over
        Tells when to stop.
    """
    rules, found = programme(ways, worth, budget_s, crews), None
    looked = np.zeros(len(worth))
    while True:
        solved = linprog(
            -rules.worth,
            A_ub=rules.rules,
            b_ub=rules.limits,
            A_eq=rules.balance,
            b_eq=np.zeros(rules.balance.shape[0]),
            bounds=np.stack([np.zeros(len(rules.most)), rules.most], axis=1),
            method="highs-ipm",
        )
        if solved.x is None:
            return found
        some = ways.task >= 0
        share = np.bincount(ways.task[some], solved.x[some], len(worth))
        looked = np.maximum(looked, share)
        bound = min(-float(solved.fun), found.bound if found else np.inf)
        price = max(-float(solved.ineqlin.marginals[0]), 0.0)
        cuts = [] if over() else list(_cuts(ways, solved.x))
        rules = rules.cut(cuts)
        found = Relaxed(bound, price, looked, rules)
        if not cuts or over():
            return found


def _cuts(ways: Ways, x: Floats) -> Iterator[csr_matrix]:
    """Yield rules broken: what is looked at within a set, over what leads into it."""
    looked = np.flatnonzero((ways.task >= 0) & (x > 0.05))
    looked = looked[np.argsort(-x[looked])]
    for inside in _sets(ways, x, looked):
        within = looked[inside[ways.tail[looked]] & inside[ways.head[looked]]]
        enters = inside[ways.head] & ~inside[ways.tail]
        leads = x[enters].sum()
        for one in within[x[within] > leads + _BROKEN][:MOST_OF_A_SET]:
            rule = -enters.astype(float)
            rule[one] += 1.0
            yield csr_matrix(rule[None, :])


def _sets(ways: Ways, x: Floats, looked: Ints) -> Iterator[Flags]:
    """Yield sets of junctions that less leads into than is looked at in them."""
    label, off = ways.parts(x > _BROKEN / 1e3)
    yield from (label == one for one in off)
    size, home = len(label), ways.home
    driven = csr_matrix((x, (ways.tail, ways.head)), shape=(size, size))
    whole = csr_matrix(
        (np.round(driven.data * _WHOLE).astype(np.int32), driven.indices,
         driven.indptr), shape=driven.shape,
    )  # fmt: skip
    covered = (label != label[home]) | (np.arange(size) == home)
    tried = 0
    for one in looked:
        at = int(ways.tail[one])
        if covered[at]:
            continue
        tried += 1
        if tried > MOST_SETS:
            return
        flow = maximum_flow(whole, home, at)
        if flow.flow_value / _WHOLE >= x[one] - _BROKEN:
            covered[at] = True
            continue
        left = whole - flow.flow
        left.data[left.data < 0] = 0
        left.eliminate_zeros()
        inside = np.ones(size, dtype=bool)
        inside[breadth_first_order(left, home, return_predecessors=False)] = False
        covered |= inside
        yield inside
