"""Thin groups lean on the others: gamma-Poisson empirical Bayes.

Each group's rate is drawn from a gamma law common to all; failures are then negative
binomial, and that law is found by maximum marginal likelihood [1]_. A group's own rate,
given its failures, is gamma again, so its limits are exact given the law. With few
groups the law itself is unsure, and limits that take it as known are too narrow by far;
so by default they are averaged over the laws that the failures allow [2]_.

References
----------
.. [1] D. Clayton, J. Kaldor, Biometrics 43 (1987), 671-681; for failure rates, D. P.
   Gaver, I. G. O'Muircheartaigh, Technometrics 29 (1987), 1-15; from memory.
.. [2] C. L. Christiansen, C. N. Morris, Journal of the American Statistical Association
   92 (1997), 618-632, whose uniform law of the shrinkage is used; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, minimize_scalar
from scipy.special import digamma, gammainc, gammaincinv, gammaln

from lightwatch.errors import NotEnoughEvidence

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

EVEN = "the groups differ no more than chance makes them: all have the pooled rate"
ALONE = "one group has nothing to lean on: its own rate and exact limits"
NO_FAILURES = "no failures in any group: the upper limit of all of them together"

SHAPE_RANGE = (1e-3, 1e5)
"""Shapes of the prior looked at; above, the groups count as alike."""

SHARES, MEANS, BISECTIONS = 40, 5, 45
"""Fineness of the average over laws."""


@dataclass(frozen=True)
class Shrunk:
    """Rates (or ratios) of groups, with limits, and the law they were drawn from.

    Parameters
    ----------
    rate, low, high
        Per group [failures per unit of exposure; or observed to expected].
    prior_shape, prior_rate
        Of the gamma law of rates; its mean is shape over rate. Infinite where the
        groups do not differ or there is one only.
    log_likelihood
        Of the failures, marginal.
    note
        What had to be done instead, if anything.
    """

    rate: Floats
    low: Floats
    high: Floats
    prior_shape: float
    prior_rate: float
    log_likelihood: float
    note: str = ""

    @property
    def prior_mean(self) -> float:
        """Mean of the law of rates; not a number where there is none."""
        return self.prior_shape / self.prior_rate


@dataclass(frozen=True)
class _Groups:
    """Groups that differ in failures or exposure, and how many are alike."""

    failures: Floats
    exposure: Floats
    alike: Floats

    def total(self, each: Floats) -> float:
        """Sum what each contributes over all groups."""
        return float((self.alike * each).sum())

    def chosen(self, which: Bools) -> _Groups:
        """Return some of them."""
        return _Groups(self.failures[which], self.exposure[which], self.alike[which])


def _gamma_limits(shape: Floats, rate: Floats, confidence: float) -> list[Floats]:
    tail = (1 - confidence) / 2
    return [gammaincinv(shape, at) / rate for at in (tail, 1 - tail)]


def _pooled(groups: _Groups, confidence: float, note: str) -> Shrunk:
    """Give all groups one rate with exact Poisson limits [failures of all]."""
    failures, exposure = groups.failures, groups.exposure
    total, watched = groups.total(failures), groups.total(exposure)
    tail = (1 - confidence) / 2
    low = float(gammaincinv(total, tail)) / watched if total else 0.0
    high = float(gammaincinv(total + 1, 1 - tail)) / watched
    mean = total / watched
    expected = mean * exposure
    made = np.where(failures > 0, failures * np.log(np.maximum(expected, 1e-300)), 0)
    likelihood = groups.total(made - expected - gammaln(failures + 1))
    same = np.ones(failures.size)
    return Shrunk(
        mean * same, low * same, high * same, np.inf, np.inf, likelihood, note
    )


def _marginal(groups: _Groups, shape: float, rate: float) -> float:
    """Return the negative binomial log likelihood."""
    failures, exposure = groups.failures, groups.exposure
    own = shape + failures
    parts = gammaln(own) - gammaln(shape) - gammaln(failures + 1)
    parts += shape * (np.log(rate) - np.log(rate + exposure))
    parts += failures * (np.log(exposure) - np.log(rate + exposure))
    return groups.total(parts)


def _rate_for(groups: _Groups, shape: float) -> float:
    """Return the best rate parameter of the law for a shape.

    With mean m it solves sum of (failures - m exposure) / (1 + m exposure / shape) = 0,
    which falls in m.
    """
    failures, exposure = groups.failures, groups.exposure

    def surplus(log_mean: float) -> float:
        mean = np.exp(log_mean)
        return groups.total(
            (failures - mean * exposure) / (1 + mean * exposure / shape)
        )

    own = failures[failures > 0] / exposure[failures > 0]
    low = np.log(groups.total(failures) / groups.total(exposure)) - 1
    high = np.log(own.max()) + 1
    while surplus(low) < 0:
        low -= 2
    while surplus(high) > 0:
        high += 2
    return shape / float(np.exp(brentq(surplus, low, high, xtol=1e-13)))


def _spread_beyond_chance(groups: _Groups) -> float:
    """Return the slope of the likelihood in the variance of rates, at none.

    Its sign says on which side of the Poisson law the best fit lies [1]_.

    References
    ----------
    .. [1] C. Dean, J. F. Lawless, Journal of the American Statistical Association 84
       (1989), 467-472; from memory.
    """
    failures, exposure = groups.failures, groups.exposure
    expected = groups.total(failures) / groups.total(exposure) * exposure
    return groups.total((failures - expected) ** 2 - failures)


def _best_shape(groups: _Groups) -> float:
    failures, exposure = groups.failures, groups.exposure

    def loss(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        return -_marginal(groups, shape, _rate_for(groups, shape))

    low, high = np.log(SHAPE_RANGE)
    grid = np.linspace(low, high, 47)
    losses = [loss(at) for at in grid]
    best = int(np.argmin(losses))
    if best == grid.size - 1:
        return np.inf
    around = (grid[max(best - 1, 0)], grid[best + 1])

    def slope(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        rate = _rate_for(groups, shape)
        gain = digamma(shape + failures) - digamma(shape)
        gain += np.log(rate) - np.log(rate + exposure)
        return groups.total(gain)

    if best > 0 and slope(around[0]) > 0 > slope(around[1]):
        return float(np.exp(brentq(slope, *around, xtol=1e-12)))
    found = minimize_scalar(loss, bounds=around, method="bounded")
    return float(np.exp(found.x))


def _laws(groups: _Groups) -> tuple[Floats, Floats, Floats]:
    """Return laws of rates that the failures allow: shape, rate, weight.

    The share by which a typical group is drawn to the mean is taken as uniform
    beforehand, the log of the mean as flat; the mean is summed by Gauss-Hermite nodes.
    """
    failures, exposure = groups.failures, groups.exposure
    mean = groups.total(failures) / groups.total(exposure)
    every = np.repeat(exposure, groups.alike.astype(int))
    typical = mean * float(np.median(every))
    share = (np.arange(SHARES) + 0.5) / SHARES
    nodes, weights = np.polynomial.hermite_e.hermegauss(MEANS)
    shape, rate, height = [], [], []
    for one in typical * share / (1 - share):
        best = one / _rate_for(groups, one)
        expected = best * exposure
        curve = expected * (one + failures) / one / (1 + expected / one) ** 2
        width = 1 / np.sqrt(groups.total(curve))
        for node, weight in zip(nodes, weights, strict=True):
            at = best * np.exp(width * node)
            shape.append(one)
            rate.append(one / at)
            height.append(
                _marginal(groups, one, one / at) + np.log(weight * width) + node**2 / 2
            )
    log_weight = np.array(height)
    made = np.exp(log_weight - log_weight.max())
    return np.array(shape), np.array(rate), made / made.sum()


def _averaged_limits(groups: _Groups, seen: Bools, confidence: float) -> list[Floats]:
    """Return limits of each group's rate, averaged over the laws, by bisection."""
    shape, rate, weight = _laws(groups.chosen(seen))
    kept = weight > 1e-7
    shape, rate, weight = shape[kept], rate[kept], weight[kept] / weight[kept].sum()
    own = shape + groups.failures[:, None]
    watched = rate + groups.exposure[:, None]
    tail = (1 - confidence) / 2
    found = []
    for chance in (tail, 1 - tail):
        ends = gammaincinv(own, chance) / watched
        low, high = ends.min(axis=1), ends.max(axis=1)
        for _ in range(BISECTIONS):
            middle = (low + high) / 2
            under = gammainc(own, watched * middle[:, None]) @ weight < chance
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        found.append((low + high) / 2)
    return found


def shrink(
    failures: npt.ArrayLike,
    exposure: npt.ArrayLike,
    confidence: float = 0.95,
    *,
    law_known: bool = False,
) -> Shrunk:
    """Shrink the rates of groups towards what all groups tell.

    Parameters
    ----------
    failures
        Failures of each group.
    exposure
        Time under watch of each group [unit-years], for rates; or the failures
        expected of it, for ratios.
    confidence
        Of the two-sided posterior limits.
    law_known
        Take the law found as the true one: limits are then exact gamma posteriors, and
        exact Poisson limits of all groups together where the groups do not differ.
        They hold the truth less often than they say unless there are many groups.

    Returns
    -------
    Shrunk
        Posterior means given the law found. Groups that differ no more than chance
        get the pooled rate, within limits that allow that they may differ; a single
        group and no failures at all get exact Poisson limits. The note says so.

    Raises
    ------
    NotEnoughEvidence
        Nothing was watched.

    Examples
    --------
    >>> found = shrink([0, 4, 40], [10.0, 10.0, 40.0])
    >>> found.rate.round(2)
    array([0.06, 0.41, 0.98])
    """
    counted = np.asarray(failures, dtype=np.float64)
    watched = np.asarray(exposure, dtype=np.float64)
    if counted.shape != watched.shape or counted.ndim != 1:
        raise ValueError("failures and exposure must be lists of one length")
    if np.any(counted < 0) or np.any(watched < 0) or np.any(counted[watched == 0] > 0):
        raise ValueError("failures and exposure cannot be negative, nor one without")
    every = np.column_stack([counted, watched])
    cells, group, alike = np.unique(
        every, axis=0, return_inverse=True, return_counts=True
    )
    groups = _Groups(cells[:, 0], cells[:, 1], alike.astype(np.float64))
    found = _shrunk(groups, confidence, law_known)
    rate, low, high = (
        one[group.ravel()] for one in (found.rate, found.low, found.high)
    )
    return replace(found, rate=rate, low=low, high=high)


def _shrunk(groups: _Groups, confidence: float, law_known: bool) -> Shrunk:
    seen = groups.exposure > 0
    if not seen.any():
        raise NotEnoughEvidence("nothing was watched in any group")
    some = groups.chosen(seen)
    if not some.failures.any():
        return _pooled(groups, confidence, NO_FAILURES)
    if some.alike.sum() == 1:
        return _pooled(groups, confidence, ALONE)
    shape = np.inf
    if _spread_beyond_chance(some) > 0:
        shape = _best_shape(some)
    if np.isfinite(shape):
        found = _given_law(groups, seen, shape, confidence)
    else:
        found = _pooled(groups, confidence, EVEN)
    if law_known:
        return found
    low, high = _averaged_limits(groups, seen, confidence)
    return replace(found, low=low, high=high)


def _given_law(groups: _Groups, seen: Bools, shape: float, confidence: float) -> Shrunk:
    some = groups.chosen(seen)
    rate = _rate_for(some, shape)
    own, watched = shape + groups.failures, rate + groups.exposure
    low, high = _gamma_limits(own, watched, confidence)
    likelihood = _marginal(some, shape, rate)
    return Shrunk(own / watched, low, high, shape, rate, likelihood)
