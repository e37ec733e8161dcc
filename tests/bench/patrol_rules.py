"""Other ways to choose a patrol, to compare with: what a person would do by hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lightwatch.decisions.patrol.problem import Problem, Routes

Score = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Of every heading: from its worth and the time to reach and look at it."""


def driven_by(
    problem: Problem, score: Score, open_to: np.ndarray | None = None
) -> Routes:
    """Drive on to the heading that scores highest, as long as there is time to return.

    Crews take turns; ``open_to`` says which headings may be driven at all.
    """
    look = np.append(problem.look_s, 0.0)[problem.task]
    worth = np.append(problem.worth, 0.0)[problem.task]
    free = problem.task >= 0 if open_to is None else open_to & (problem.task >= 0)
    at, used = [0] * problem.crews, [0.0] * problem.crews
    routes: list[list[int]] = [[] for _ in range(problem.crews)]
    on = set(range(problem.crews))
    while on:
        for crew in sorted(on):
            takes = problem.drive_s[at[crew]] + look
            fits = free & (
                used[crew] + takes + problem.drive_s[:, 0] <= problem.budget_s
            )
            if not fits.any():
                on.discard(crew)
                continue
            value = np.where(fits, score(worth, np.maximum(takes, 1e-3)), -np.inf)
            best = int(np.argmax(value))
            used[crew] += float(takes[best])
            at[crew] = best
            routes[crew].append(best)
            free &= problem.task != problem.task[best]
    return tuple(tuple(route) for route in routes)


def greedy(problem: Problem) -> Routes:
    """Always the street with the most worth for the time."""
    return driven_by(problem, lambda worth, takes: worth / takes)


def nearest(problem: Problem) -> Routes:
    """Always the nearest street with a light."""
    return driven_by(problem, lambda worth, takes: -takes)


def rotation(problem: Problem, seen_days: np.ndarray) -> Routes:
    """Serve streets by how long ago they were seen, the nearest of the oldest first.

    The oldest streets that one after the other fill the time are driven in order of
    nearness.
    """
    order = np.argsort(-seen_days, kind="stable")
    low, high = 0, len(order)
    best: Routes = ()
    while low < high:
        middle = (low + high + 1) // 2
        wanted = np.isin(problem.task, order[:middle])
        found = driven_by(problem, lambda worth, takes: -takes, wanted)
        if sum(map(len, found)) == middle:
            low, best = middle, found
        else:
            high = middle - 1
    return best
