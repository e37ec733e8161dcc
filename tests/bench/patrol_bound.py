"""An upper bound on what any crew can find: a linear programme with cuts, by HiGHS.

Arcs carry looking and driving; what goes in comes out; the time is kept; a street is
looked at once; what is looked at must hang on the depot (cuts added where it does not).
"""

from __future__ import annotations

import time

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_matrix, csr_matrix, vstack
from scipy.sparse.csgraph import connected_components, maximum_flow

from lightwatch.decisions.patrol.network import Network
from lightwatch.decisions.patrol.problem import Tasks

MOST_PASSES = 6
_TINY = 1e-6


def upper_bound(
    net: Network, tasks: Tasks, depot: int, budget_s: float, *, seconds: float
) -> tuple[float, int]:
    """Return the bound after so many seconds of cutting, and the cuts made."""
    tails, heads, parts = net.arcs
    real = net.together(depot)[parts]
    tails, heads, parts = tails[real], heads[real], parts[real]
    ahead = tails == net.tail[parts]
    code = np.full(len(net.places), -1)
    used = np.unique(np.concatenate([tails, heads]))
    code[used] = np.arange(len(used))
    tail, head = code[tails], code[heads]
    task_of = np.full(len(net.tail), -1)
    task_of[tasks.part] = np.arange(len(tasks.part))
    task = task_of[parts]
    allowed = (task >= 0) & np.where(ahead, tasks.forward[task], tasks.back[task])
    serve = np.flatnonzero(allowed)
    n, arcs, looks = len(used), len(tail), len(serve)
    gain = tasks.worth[task[serve]]
    cost_time = np.concatenate([net.seconds[parts], tasks.look_s[task[serve]]])
    all_tail = np.concatenate([tail, tail[serve]])
    all_head = np.concatenate([head, head[serve]])
    columns = np.arange(arcs + looks)
    flow = coo_matrix(
        (
            np.concatenate([np.ones(len(columns)), -np.ones(len(columns))]),
            (np.concatenate([all_tail, all_head]), np.tile(columns, 2)),
        ),
        shape=(n, len(columns)),
    ).tocsr()
    once = coo_matrix(
        (np.ones(looks), (task[serve], arcs + np.arange(looks))),
        shape=(len(tasks.part), len(columns)),
    ).tocsr()
    rows = [csr_matrix(cost_time[None, :]), once]
    limits = [np.array([budget_s]), np.ones(len(tasks.part))]
    bounds = [(0, MOST_PASSES)] * arcs + [(0, 1)] * looks
    begun, cuts, bound = time.monotonic(), 0, float("inf")
    while True:
        solved = linprog(
            np.concatenate([np.zeros(arcs), -gain]),
            A_ub=vstack(rows).tocsr(), b_ub=np.concatenate(limits),
            A_eq=flow, b_eq=np.zeros(n), bounds=bounds, method="highs-ipm",
        )  # fmt: skip
        if solved.x is None:
            return bound, cuts
        bound = min(bound, -float(solved.fun))
        if time.monotonic() - begun > seconds:
            return bound, cuts
        made = _cuts(solved.x, all_tail, all_head, n, int(code[depot]), arcs)
        if not made:
            return bound, cuts
        cuts += len(made)
        rows.append(vstack(made).tocsr())
        limits.append(np.zeros(len(made)))


def _cuts(
    x: np.ndarray, tail: np.ndarray, head: np.ndarray, n: int, depot: int, arcs: int
) -> list[csr_matrix]:
    """Return broken rules: what is looked at within a set, over what leaves the set."""
    flow = csr_matrix((x, (tail, head)), shape=(n, n))
    flow.data[flow.data < _TINY] = 0
    flow.eliminate_zeros()
    count, label = connected_components(flow, connection="weak")
    sets = [
        label == one
        for one in range(count)
        if one != label[depot] and (label == one).sum() > 1
    ]
    looked = np.flatnonzero(x[arcs:] > 0.05) + arcs
    order = looked[np.argsort(-x[looked])]
    whole = csr_matrix(
        (np.round(flow.data * 1e6).astype(np.int32), flow.indices, flow.indptr),
        shape=flow.shape,
    )
    covered = np.zeros(n, dtype=bool)
    tried = 0
    for one in order:
        at = int(tail[one])
        if covered[at] or label[at] != label[depot] or at == depot:
            continue
        tried += 1
        if tried > 40:
            break
        result = maximum_flow(whole, depot, at)
        if result.flow_value / 1e6 >= x[one] - 1e-3:
            covered[at] = True
            continue
        residual = whole - result.flow
        residual.data[residual.data < 0] = 0
        residual.eliminate_zeros()
        reach = np.zeros(n, dtype=bool)
        reach[_reached(residual, depot)] = True
        inside = ~reach
        sets.append(inside)
        covered |= inside
    made = []
    for inside in sets:
        within = [i for i in looked if inside[tail[i]] and inside[head[i]]]
        if not within:
            continue
        served = max(within, key=lambda i: x[i])
        entering = inside[head] & ~inside[tail]
        if x[entering].sum() < x[served] - 1e-4:
            row = -entering.astype(float)
            row[served] += 1.0
            made.append(csr_matrix(row[None, :]))
            for other in sorted(within, key=lambda i: -x[i])[1:12]:
                if x[entering].sum() < x[other] - 1e-4:
                    row = -entering.astype(float)
                    row[other] += 1.0
                    made.append(csr_matrix(row[None, :]))
    return made


def _reached(graph: csr_matrix, start: int) -> np.ndarray:
    from scipy.sparse.csgraph import breadth_first_order

    return np.asarray(breadth_first_order(graph, start, return_predecessors=False))
