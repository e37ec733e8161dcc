"""Profile-likelihood limits: every other parameter is fitted anew at each trial."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.ages import FloatArray
from lightwatch.rates.newton import Likelihood, Partial, Peak, maximise

PROFILE = "profile likelihood"


@dataclass(frozen=True)
class Limits:
    """Two-sided limits and how they were found."""

    low: float
    high: float
    confidence: float
    method: str


class Anchor(NamedTuple):
    """The level b0 of the log hazard when a target is held, and its slopes.

    ``by_g`` and ``by_g_twice`` are derivatives in g = log shape, ``by_target`` in the
    target.
    """

    b0: float
    by_g: float
    by_g_twice: float
    by_target: float


@dataclass(frozen=True)
class Held:
    """Hold what is asked for; the level b0 follows exactly, all else stays free.

    ``at`` are the standard covariates of the life that is asked about.
    """

    anchor: Callable[[float, float], Anchor]
    at: FloatArray

    def free(self, theta: FloatArray) -> FloatArray:
        """Return the parameters that stay free."""
        return np.delete(theta, 1)

    def whole(self, target: float, free: FloatArray) -> FloatArray:
        """Return all parameters."""
        level = self.anchor(target, float(free[0])).b0 - float(free[1:] @ self.at)
        return np.insert(free, 1, level)

    def pulled(self, target: float, free: FloatArray, share: Partial) -> Partial:
        """Return score and information in the free parameters, by the chain rule."""
        anchor = self.anchor(target, float(free[0]))
        chain = np.insert(np.eye(len(free)), 1, 0.0, axis=0)
        chain[1] = np.concatenate([[anchor.by_g], -self.at])
        information = chain.T @ share.information @ chain
        information[0, 0] -= share.score[1] * anchor.by_g_twice
        return Partial(share.log_likelihood, chain.T @ share.score, information)

    def gradient(self, target: float, theta: FloatArray) -> FloatArray:
        """Return the derivative of the target in each parameter."""
        anchor = self.anchor(target, float(theta[0]))
        slopes = np.array([-anchor.by_g, 1.0, *self.at])
        return np.asarray(slopes / anchor.by_target)


@dataclass(frozen=True)
class Fixed:
    """Hold one parameter itself."""

    number: int

    def free(self, theta: FloatArray) -> FloatArray:
        """Return the parameters that stay free."""
        return np.delete(theta, self.number)

    def whole(self, target: float, free: FloatArray) -> FloatArray:
        """Return all parameters."""
        return np.insert(free, self.number, target)

    def pulled(self, target: float, free: FloatArray, share: Partial) -> Partial:
        """Return score and information in the free parameters."""
        kept = np.delete(np.arange(len(share.score)), self.number)
        information = share.information[np.ix_(kept, kept)]
        return Partial(share.log_likelihood, share.score[kept], information)

    def gradient(self, target: float, theta: FloatArray) -> FloatArray:
        """Return the derivative of the target in each parameter."""
        return np.asarray(np.eye(len(theta))[self.number])


def profile(
    likelihood: Likelihood,
    peak: Peak,
    held: Held | Fixed,
    target: float,
    confidence: float,
) -> Limits:
    """Return limits where twice the fall of the profile likelihood is chi-square.

    Parameters
    ----------
    likelihood
        Log-likelihood, score and information in all parameters.
    peak
        Its maximum.
    held
        What the limits are for.
    target
        Its estimate.
    confidence
        Of the two-sided limits.

    Returns
    -------
    Limits
        On the scale of the target; a limit by Wald, saying so, where the likelihood
        does not fall far enough.

    References
    ----------
    .. [1] D. R. Cox and D. Oakes, Analysis of Survival Data (1984), section 3.3.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtri

    wanted = float(ndtri((1 + confidence) / 2))
    fallen = {target: -wanted}
    slope = held.gradient(target, peak.theta)
    error = float(np.sqrt(slope @ np.linalg.solve(peak.information, slope)))
    free = held.free(peak.theta)

    def fall(trial: float) -> float:
        nonlocal free
        if trial in fallen:
            return fallen[trial]

        def pulled(others: FloatArray) -> Partial:
            share = likelihood(held.whole(trial, others))
            return held.pulled(trial, others, share)

        found = maximise(pulled, free)
        free = found.theta
        deficit = 2 * (peak.log_likelihood - found.log_likelihood)
        fallen[trial] = float(np.sqrt(max(deficit, 0.0))) - wanted
        return fallen[trial]

    ends, by_wald = [], []
    for side, stride in (("low", -wanted * error), ("high", wanted * error)):
        free = held.free(peak.theta)
        try:
            near, far = _bracket(fall, target, stride)
            ends.append(float(brentq(fall, near, far, xtol=1e-7 * error, rtol=1e-12)))
        except NotEnoughEvidence:
            ends.append(target + stride)
            by_wald.append(side)
    method = PROFILE if not by_wald else f"{PROFILE}; {' and '.join(by_wald)} by Wald"
    return Limits(ends[0], ends[1], confidence, method)


def _bracket(
    fall: Callable[[float], float], target: float, stride: float
) -> tuple[float, float]:
    """Walk out until the likelihood has fallen far enough, in strides it can follow."""
    near = target
    for _ in range(30):
        try:
            fallen = fall(near + stride)
        except NotEnoughEvidence:
            stride /= 3
            continue
        if fallen >= 0:
            return near, near + stride
        near, stride = near + stride, stride * 1.5
    raise NotEnoughEvidence("the profile likelihood does not fall far enough")
