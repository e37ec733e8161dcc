"""What the route is chosen from: streets to look at, and the driving between them.

A street part to look at is a *task*. Driven one way it has one *heading*, two ways it
has two, of which at most one is driven. Rows and columns of ``drive_s`` are the depot
and then the headings: from the end of one to the start of the other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lightwatch.decisions.patrol.network import Network, Seconds

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Routes = tuple[tuple[int, ...], ...]
"""For each crew the headings in order; heading 0 is the depot and is left out."""

NEAR = 60
"""How many streets around one make its neighbourhood."""


@dataclass(frozen=True)
class Tasks:
    """Streets to look at, n of them.

    Parameters
    ----------
    part
        Of the network.
    forward, back
        Whether it may be looked at from tail to head, and from head to tail.
    worth
        What looking at it is worth, in lights found.
    look_s
        Time to look at it [s].
    must
        0: if it pays; 1: not seen for too long; 2: asked for.
    """

    part: Ints
    forward: Flags
    back: Flags
    worth: Floats
    look_s: Floats
    must: Ints

    def chosen(self, which: Ints) -> Tasks:
        """Return some of the tasks."""
        return Tasks(**{name: one[which] for name, one in vars(self).items()})


@dataclass(frozen=True)
class Problem:
    """Which tasks to drive, and in which order, for the most worth in time.

    Parameters
    ----------
    worth, look_s, must
        Of each task.
    task
        Of each heading; of heading 0, the depot, it is -1.
    drive_s
        From the end of a heading to the start of another [s].
    budget_s
        Time of each crew, from depot to depot [s].
    crews
        How many.
    """

    worth: Floats
    look_s: Floats
    must: Ints
    task: Ints
    drive_s: Seconds
    budget_s: float
    crews: int

    def seconds(self, route: tuple[int, ...]) -> float:
        """Time of a route from depot to depot [s]."""
        if not route:
            return 0.0
        stops = np.array([0, *route, 0])
        driven = self.drive_s[stops[:-1], stops[1:]].sum(dtype=float)
        return float(driven + self.look_s[self.task[list(route)]].sum())

    def gained(self, routes: Routes) -> float:
        """Return what routes are worth, in lights found."""
        tasks = [self.task[heading] for route in routes for heading in route]
        return float(self.worth[tasks].sum()) if tasks else 0.0

    def fits(self, routes: Routes) -> bool:
        """Tell whether routes keep to time and look at no street twice."""
        tasks = [int(self.task[heading]) for route in routes for heading in route]
        in_time = all(self.seconds(one) <= self.budget_s + 1e-6 for one in routes)
        return in_time and len(set(tasks)) == len(tasks) and len(routes) <= self.crews

    def only(self, tasks: Ints) -> tuple[Problem, Ints]:
        """Return the same with some of the tasks, and which headings are left."""
        headings = np.flatnonzero(np.isin(self.task, tasks))
        number = np.full(len(self.worth), -1)
        number[tasks] = np.arange(len(tasks))
        rows = np.append(0, headings)
        few = replace(
            self,
            worth=self.worth[tasks],
            look_s=self.look_s[tasks],
            must=self.must[tasks],
            task=np.append(-1, number[self.task[headings]]),
            drive_s=self.drive_s[np.ix_(rows, rows)],
        )
        return few, headings

    def without_duties(self) -> Problem:
        """Return the same with nothing that must be driven."""
        return replace(self, must=np.zeros_like(self.must))


def promising(
    net: Network, tasks: Tasks, from_depot_s: Floats, budget_s: float, most: int
) -> Ints:
    """Return the tasks most worth considering, all that must be driven among them.

    Ranked by worth in time of the street (0.4) and of the 60 streets around it (0.6),
    less the nearer the way there comes to using up the time; the shares are of the
    notes on method, chosen on two invented networks.
    """
    count = len(tasks.part)
    if count <= most:
        return np.arange(count)
    middle = (net.places[net.tail[tasks.part]] + net.places[net.head[tasks.part]]) / 2
    flat = middle * [np.cos(np.radians(middle[:, 1].mean())), 1.0]
    _, near = cKDTree(flat).query(flat, k=min(NEAR, count))
    around = tasks.worth[near].sum(axis=1) / tasks.look_s[near].sum(axis=1)
    own = tasks.worth / tasks.look_s
    away = from_depot_s[net.tail[tasks.part]]
    left = np.clip(budget_s - 2 * away, 0.0, None) / budget_s
    score = (0.6 * around + 0.4 * own) * left + 1e9 * (tasks.must > 0)
    return np.sort(np.argsort(-score, kind="stable")[:most])


def headings(tasks: Tasks) -> tuple[Ints, Flags]:
    """Return the task of each heading, and whether it runs from tail to head."""
    forward, back = np.flatnonzero(tasks.forward), np.flatnonzero(tasks.back)
    task = np.concatenate([forward, back])
    ahead = np.concatenate([np.ones(len(forward), bool), np.zeros(len(back), bool)])
    order = np.lexsort((~ahead, task))
    return task[order], ahead[order]


def problem_of(
    net: Network, tasks: Tasks, depot: int, budget_s: float, crews: int
) -> tuple[Problem, Ints, Flags]:
    """Measure the driving between tasks.

    Returns
    -------
    Problem
        With all the tasks.
    numpy.ndarray
        Task of each heading, the depot left out.
    numpy.ndarray
        Whether each heading runs from tail to head.
    """
    task, ahead = headings(tasks)
    tail, head = net.tail[tasks.part[task]], net.head[tasks.part[task]]
    start = np.append(depot, np.where(ahead, tail, head))
    end = np.append(depot, np.where(ahead, head, tail))
    drive = net.times(end, start)
    drive[0, 0] = 0.0
    return (
        Problem(
            tasks.worth,
            tasks.look_s,
            tasks.must,
            np.append(-1, task),
            drive,
            budget_s,
            crews,
        ),
        task,
        ahead,
    )
