"""A better plan, region by region: which streets to look at, and how to drive.

Free all streets within a small region, leave the rest of the route as it is, and the
best way through the region is a small integer programme, solved by HiGHS; where parts
of its flow come off the depot it is solved again with rules against that, a few times.
What is gained is weighed against time at a price, so that time saved in one region is
spent in another.

Published: the flow model is that of the mixed rural postman problem (Corberan and
Laporte, eds., *Arc Routing: Problems, Methods, and Applications*, SIAM 2014; from
memory). Freeing a part of a solution and solving it exactly is local branching by
neighbourhoods (Danna, Rothberg and Le Pape, Math. Programming 102, 2005; from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix, vstack
from scipy.spatial import cKDTree

from lightwatch.decisions.patrol.problem import Flags, Floats, Ints, Problem, Routes
from lightwatch.decisions.patrol.search import Keep
from lightwatch.decisions.patrol.ways import Ways

SIZES = (30, 50, 80, 110)
"""Junctions in a region: small ones first, larger ones when nothing more is found."""

CLOSE = 8
"""Junctions near the middle of a region that gained nothing, not tried as middles."""

LEAST = 0.002
"""A region driven anew must gain so many lights at least; fewer are not looked for."""

MOST_PASSES = 3
"""So often at most is a street in a region driven each way."""

TRIES = 4
"""So often is a region solved where parts of its flow come off the depot."""

_SOLVE_S = 0.5
_SPARE_S = 0.1


class _Flows:
    """The route of each crew as a flow, made better region by region."""

    def __init__(
        self, problem: Problem, ways: Ways, counts: list[Ints], price: float
    ) -> None:
        self.ways, self.counts = ways, counts
        self.budget_s = problem.budget_s - _SPARE_S
        worth = np.append(problem.worth, 0.0)[ways.task]
        self.gain = worth - price * ways.seconds
        self.must = np.append(problem.must, 0)[ways.task] > 0

    def visited(self, crew: int) -> Flags:
        """Tell which junctions a crew leaves."""
        found = np.zeros(len(self.ways.net.places), dtype=bool)
        found[self.ways.tail[self.counts[crew] > 0]] = True
        return found

    def better(self, crew: int, near: Ints) -> bool:
        """Drive the streets between some junctions anew; tell whether that gained."""
        ways, now = self.ways, self.counts[crew]
        inside = np.zeros(len(ways.net.places), dtype=bool)
        inside[near] = True
        taken = np.zeros(int(ways.task.max()) + 2, dtype=bool)
        for other, count in enumerate(self.counts):
            if other != crew:
                taken[ways.task[(count > 0) & (ways.task >= 0)]] = True
        free = inside[ways.tail] & inside[ways.head] & ~taken[ways.task]
        found = self._driven(np.flatnonzero(free), inside, now)
        gained = found is not None and self.gain @ (found - now) > 1e-9
        if found is None or not gained or self.must @ (found - now) < 0:
            return False
        self.counts[crew] = found
        return True

    def _driven(self, free: Ints, inside: Flags, now: Ints) -> Ints | None:
        """Return the best flow that leaves all that is not free as it is."""
        ways, task = self.ways, self.ways.task[free]
        fixed = now.copy()
        fixed[free] = 0
        once, beat = self._once(task), float(self.gain[free] @ now[free]) + LEAST
        rules = [once, csr_matrix([ways.seconds[free], -self.gain[free]])]
        rules.append(self._reached(free, fixed))
        left_s = self.budget_s - float(ways.seconds @ fixed)
        limits = [np.ones(once.shape[0]), np.array([left_s, -beat])]
        limits.append(np.zeros(rules[2].shape[0]))
        best: Ints | None = None
        for _ in range(TRIES):
            solved = milp(
                -self.gain[free],
                constraints=[
                    LinearConstraint(vstack(rules), -np.inf, np.concatenate(limits)),
                    self._balance(free, inside, fixed),
                ],
                integrality=np.ones(len(free)),
                bounds=Bounds(0, np.where(task >= 0, 1, MOST_PASSES)),
                options={"time_limit": _SOLVE_S, "mip_rel_gap": 1e-3},
            )
            if solved.x is None:
                return best
            count = fixed.copy()
            count[free] = np.round(solved.x).astype(np.int64)
            label, off = ways.parts(count)
            cuts = [self._cut(free, count, fixed, label == one) for one in off]
            count[np.isin(label[ways.tail], off)] = 0
            if best is None or self.gain @ (count - best) > 0:
                best = count
            if not cuts:
                return best
            rules += [rule for rule, _ in cuts]
            limits += [limit for _, limit in cuts]
        return best

    def _once(self, task: Ints) -> csr_matrix:
        """Let each street be looked at once, whichever way."""
        looks = np.flatnonzero(task >= 0)
        _, row = np.unique(task[looks], return_inverse=True)
        shape = (int(row.max(initial=-1)) + 1, len(task))
        return csr_matrix((np.ones(len(looks)), (row, looks)), shape=shape)

    def _reached(self, free: Ints, fixed: Ints) -> csr_matrix:
        """Let a street that the rest does not touch be looked at if driven to."""
        ways = self.ways
        touched = np.zeros(len(ways.net.places), dtype=bool)
        touched[ways.tail[fixed > 0]] = touched[self.ways.home] = True
        tail, head, task = ways.tail[free], ways.head[free], ways.task[free]
        looks = (task >= 0) & ~touched[tail] & ~touched[head]
        _, first = np.unique(task[looks], return_index=True)
        one = np.flatnonzero(looks)[first]
        a, b = tail[one][:, None], head[one][:, None]
        within = ((tail == a) | (tail == b)) & ((head == a) | (head == b))
        enters = ((head == a) | (head == b)) & ~within
        rules = (task == task[one][:, None]).astype(float) - enters
        return csr_matrix(rules)

    def _balance(self, free: Ints, inside: Flags, fixed: Ints) -> LinearConstraint:
        """Let out of a junction what goes into it."""
        ways, size = self.ways, len(inside)
        code, columns = np.cumsum(inside) - 1, np.arange(len(free))
        ends = np.concatenate([code[ways.tail[free]], code[ways.head[free]]])
        signs = np.repeat([1.0, -1.0], len(free))
        shape = (int(inside.sum()), len(free))
        balance = csr_matrix((signs, (ends, np.tile(columns, 2))), shape=shape)
        comes = np.bincount(ways.head, fixed, size) - np.bincount(
            ways.tail, fixed, size
        )
        return LinearConstraint(balance, comes[inside], comes[inside])

    def _cut(
        self, free: Ints, count: Ints, fixed: Ints, part: Flags
    ) -> tuple[csr_matrix, Floats]:
        """Return the rules broken by a part that does not hang on the depot.

        What is looked at in it is no more than what leads into it; something does if
        what is not free passes through it.
        """
        ways = self.ways
        enters = part[ways.head[free]] & ~part[ways.tail[free]]
        looked = (ways.task[free] >= 0) & (count[free] > 0) & part[ways.tail[free]]
        rules = np.tile(-enters.astype(float), (int(looked.sum()) + 1, 1))
        rules[np.arange(len(rules) - 1), np.flatnonzero(looked)] = 1.0
        limits = np.zeros(len(rules))
        limits[-1] = -1.0 if part[ways.tail[fixed > 0]].any() else 0.0
        return csr_matrix(rules), limits


def redriven(
    problem: Problem,
    routes: Routes,
    ways: Ways,
    price_per_s: float,
    *,
    over: Callable[[], bool],
    keep: Keep,
    seed: int = 0,
) -> None:
    """Drive routes anew, region by region, until told to stop or nothing is gained.

    Parameters
    ----------
    problem
        What to choose from.
    routes
        That keep to time.
    ways
        What may be driven and looked at.
    price_per_s
        What a second is worth [lights].
    over
        Tells when to stop.
    keep
        Takes the routes found, at the end or if a person breaks it off.
    seed
        Of the order in which regions are tried.
    """
    flat, rng = ways.flat, np.random.default_rng(seed)
    flows = _Flows(problem, ways, [ways.flow(one) for one in routes], price_per_s)
    tree, crews = cKDTree(flat), range(len(routes))
    try:
        for size in (min(one, len(flat)) for one in SIZES):
            untried = np.ones((len(routes), len(flat)), dtype=bool)
            while not over():
                middles = [(c, flows.visited(c) & untried[c]) for c in crews]
                if not any(some.any() for _, some in middles):
                    break
                for crew, some in middles:
                    if over() or not some.any():
                        continue
                    middle = rng.choice(np.flatnonzero(some))
                    near = np.atleast_1d(tree.query(flat[middle], k=size)[1])
                    gained = flows.better(crew, near)
                    untried[crew, near if gained else near[:CLOSE]] = gained
    finally:
        found = tuple(ways.tour(count) for count in flows.counts)
        if problem.fits(found):
            keep(found)
