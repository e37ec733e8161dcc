"""Climb a log-likelihood by Newton's method, with a rope."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.ages import FloatArray

_SMALLEST_GAIN = 1e-10
_LONGEST_STEP = 1.5
_MOST_STEPS = 100


class Partial(NamedTuple):
    """A share of a log-likelihood; shares of disjoint lives add up."""

    log_likelihood: float
    score: FloatArray
    information: FloatArray


Likelihood = Callable[[FloatArray], Partial]


@dataclass(frozen=True)
class Peak:
    """Where the log-likelihood is highest."""

    theta: FloatArray
    log_likelihood: float
    information: FloatArray
    steps: int


def add(shares: Iterable[Partial]) -> Partial:
    """Add up shares of a log-likelihood."""
    values, scores, informations = zip(*shares, strict=True)
    return Partial(
        float(sum(values)), np.sum(scores, axis=0), np.sum(informations, axis=0)
    )


def _step(here: Partial) -> tuple[FloatArray, bool]:
    """Return Newton's step, damped where the surface does not curve downwards."""
    information = here.information
    damping = 0.0
    size = max(float(np.abs(np.diag(information)).max()), 1e-12)
    while damping <= 1e9:
        damped = information + damping * size * np.eye(len(information))
        try:
            np.linalg.cholesky(damped)
            step = np.asarray(np.linalg.solve(damped, here.score))
        except np.linalg.LinAlgError:
            damping = max(10 * damping, 1e-6)
            continue
        return step, damping == 0.0
    raise NotEnoughEvidence("the log-likelihood cannot be climbed: no curvature")


def _climbed(
    likelihood: Likelihood, theta: FloatArray, here: Partial, step: FloatArray
) -> tuple[FloatArray, Partial]:
    """Take the step, or as much of it as does not lead down."""
    step = step * min(1.0, _LONGEST_STEP / max(float(np.abs(step).max()), 1e-300))
    lowest = here.log_likelihood - 1e-12 * abs(here.log_likelihood)
    for _ in range(40):
        there = likelihood(theta + step)
        if there.log_likelihood >= lowest and np.isfinite(there.information).all():
            return theta + step, there
        step = step / 3
    raise NotEnoughEvidence("the log-likelihood has no peak that can be reached")


def maximise(likelihood: Likelihood, start: FloatArray) -> Peak:
    """Find the peak by Newton's method with exact score and information.

    A step that would lead down is shortened, a surface that does not curve downwards
    is damped; the last step, too small to matter, is taken without looking again.

    Parameters
    ----------
    likelihood
        Log-likelihood, score and observed information at a point.
    start
        Where to begin.

    Raises
    ------
    NotEnoughEvidence
        The log-likelihood has no peak: the lives do not settle the parameters.
    """
    theta, here = start, likelihood(start)
    if not np.isfinite(here.log_likelihood):
        raise NotEnoughEvidence("the log-likelihood has no value at its start")
    for steps in range(1, _MOST_STEPS + 1):
        step, curved = _step(here)
        gain = float(here.score @ step) / 2
        if curved and gain < _SMALLEST_GAIN:
            at_peak = here.log_likelihood + gain
            return Peak(theta + step, at_peak, here.information, steps)
        theta, here = _climbed(likelihood, theta, here, step)
    raise NotEnoughEvidence("the log-likelihood rises without end")
