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
from scipy.special import digamma, gammainc, gammaincinv, gammaln, xlogy

from lightwatch.errors import NotEnoughEvidence

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

EVEN = "the groups differ no more than chance makes them: all have the pooled rate"
ALONE = "one group has nothing to lean on: its own rate and exact limits"
NO_FAILURES = "no failures in any group: the upper limit of all of them together"

SHAPES = (1e-3, 1e5)
"""Shapes of the prior looked at, and wider where there are fewer or more failures;
above, the groups count as alike."""

SCAN, NODES, MEANS = 47, 24, 5
"""Fineness of the search for a law, and of the average over laws."""

STEPS, ZOOMS = 100, 20
"""Most steps to a mean or a limit, and to the laws that matter; few are usual."""

ROUNDING = 1e-3
"""Groups count as alike unless some law is likelier by so many log units."""

FORGOTTEN = 16.0
"""A law so many log units less likely than the likeliest weighs nothing."""


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


def _marginal(groups: _Groups, shape: Floats, rate: Floats) -> Floats:
    """Return the negative binomial log likelihood of each law."""
    failures, exposure = groups.failures, groups.exposure
    shape, watched = shape[:, None], rate[:, None] + exposure
    parts = gammaln(shape + failures) - gammaln(shape) - gammaln(failures + 1)
    parts += shape * np.log(rate[:, None] / watched)
    parts += failures * np.log(exposure / watched)
    return np.asarray(parts @ groups.alike)


def _means(groups: _Groups, shape: Floats) -> Floats:
    """Return the best mean of the law for each shape.

    The mean m solves sum of (failures - m exposure) / (1 + m exposure / shape) = 0,
    which falls in m and is convex: Newton's steps pass it once at most.
    """
    failures, exposure = groups.failures, groups.exposure
    start = groups.total(failures) / groups.total(exposure)
    mean = np.full(shape.size, start)
    for _ in range(STEPS):
        share = 1 / (1 + mean[:, None] * exposure / shape[:, None])
        surplus = ((failures - mean[:, None] * exposure) * share) @ groups.alike
        curve = exposure * (1 + failures / shape[:, None]) * share**2
        better = np.maximum(mean + surplus / (curve @ groups.alike), mean / 10)
        done = np.abs(better - mean) <= 1e-14 * mean
        mean = better
        if done.all():
            break
    return mean


def _log_shapes(groups: _Groups) -> tuple[float, float, float]:
    """Return the lowest and highest log shape looked at, and log typical failures.

    A shape far beyond the most failures expected is that of groups that are alike.
    """
    failures, exposure = groups.failures, groups.exposure
    expected = groups.total(failures) / groups.total(exposure) * exposure
    typical = float(np.median(np.repeat(expected, groups.alike.astype(int))))
    low, high = min(SHAPES[0], typical / 100), max(SHAPES[1], expected.max() * 1000)
    return float(np.log(low)), float(np.log(high)), float(np.log(typical))


def _best_shape(groups: _Groups, alike: float) -> float:
    """Return the likeliest shape; infinite if none is likelier than ``alike``."""
    failures, exposure = groups.failures, groups.exposure

    def heights(log_shape: Floats) -> Floats:
        shape = np.exp(log_shape)
        return _marginal(groups, shape, shape / _means(groups, shape))

    low, high, _ = _log_shapes(groups)
    grid = np.linspace(low, high, SCAN)
    seen = heights(grid)
    best = int(np.argmax(seen))
    if best == grid.size - 1 or seen[best] < alike + ROUNDING:
        return np.inf
    around = (grid[max(best - 1, 0)], grid[best + 1])

    def slope(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        rate = shape / _means(groups, np.array([shape]))[0]
        gain = digamma(shape + failures) - digamma(shape)
        gain += np.log(rate) - np.log(rate + exposure)
        return groups.total(gain)

    if best > 0 and slope(around[0]) > 0 > slope(around[1]):
        return float(np.exp(brentq(slope, *around, xtol=1e-12)))
    found = minimize_scalar(
        lambda at: -heights(np.array([at]))[0], bounds=around, method="bounded"
    )
    return float(np.exp(found.x))


FARTHEST = 300.0
"""A mean so many times e from the best has no weight left."""


def _laws(groups: _Groups) -> tuple[Floats, Floats, Floats]:
    """Return laws of rates that the failures allow: shape, rate, weight.

    The share by which a typical group is drawn to the mean is taken as uniform
    beforehand, the log of the mean as flat. Shapes are even in the log, which is the
    logit of that share, and drawn together until half of them matter: with many
    failures only shares near zero do. The mean is summed by Gauss-Hermite nodes.
    """
    low, high, typical = _log_shapes(groups)
    for _ in range(ZOOMS):
        log_shape = np.linspace(low, high, NODES)
        shape = np.exp(log_shape)
        mean = _means(groups, shape)
        logit = log_shape - typical
        width = _width_of_mean(groups, shape, mean)
        before = np.log(width) - np.logaddexp(0, logit) - np.logaddexp(0, -logit)
        height = before + _marginal(groups, shape, shape / mean)
        some = np.flatnonzero(height > height.max() - FORGOTTEN)
        if some.size >= NODES // 2:
            break
        low = float(log_shape[max(some[0] - 1, 0)])
        high = float(log_shape[min(some[-1] + 1, NODES - 1)])
    node, weight = np.polynomial.hermite_e.hermegauss(MEANS)
    shape = np.repeat(shape, MEANS)
    away = np.clip(width[:, None] * node, -FARTHEST, FARTHEST)
    rate = shape / (mean[:, None] * np.exp(away)).ravel()
    log_weight = _marginal(groups, shape, rate)
    log_weight += (before[:, None] + np.log(weight) + node**2 / 2).ravel()
    made = np.exp(log_weight - log_weight.max())
    return shape, rate, made / made.sum()


def _width_of_mean(groups: _Groups, shape: Floats, mean: Floats) -> Floats:
    """Return the standard error of the log mean, given each shape."""
    shape = shape[:, None]
    expected = mean[:, None] * groups.exposure
    curve = expected * (1 + groups.failures / shape) / (1 + expected / shape) ** 2
    return np.asarray(1 / np.sqrt(curve @ groups.alike))


def _averaged_limits(groups: _Groups, seen: Bools, confidence: float) -> list[Floats]:
    """Return limits of each group's rate, averaged over the laws.

    By Newton's steps in the log of the rate, halving where one would leave the range
    in which the limit lies.
    """
    shape, rate, weight = _laws(groups.chosen(seen))
    kept = weight > 1e-7
    shape, rate, weight = shape[kept], rate[kept], weight[kept] / weight[kept].sum()
    own = shape + groups.failures[:, None]
    watched = rate + groups.exposure[:, None]
    tail = (1 - confidence) / 2
    found = []
    for chance in (tail, 1 - tail):
        ends = gammaincinv(own, chance) / watched
        low, high, at = ends.min(axis=1), ends.max(axis=1), ends @ weight
        least = 1e-12 * high
        for _ in range(STEPS):
            scaled = watched * at[:, None]
            over = gammainc(own, scaled) @ weight - chance
            low, high = np.where(over < 0, at, low), np.where(over < 0, high, at)
            density = np.exp(xlogy(own, scaled) - scaled - gammaln(own)) @ weight
            with np.errstate(all="ignore"):
                better = at * np.exp(-over / density)
            inside = (better >= low) & (better <= high)
            before, at = at, np.where(inside, better, (low + high) / 2)
            if np.all(np.abs(at - before) <= 1e-10 * at + least):
                break
        found.append(at)
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
    found = _pooled(groups, confidence, EVEN)
    shape = _best_shape(some, found.log_likelihood)
    if np.isfinite(shape):
        found = _given_law(groups, seen, shape, confidence)
    if law_known:
        return found
    low, high = _averaged_limits(groups, seen, confidence)
    low, high = np.minimum(low, found.rate), np.maximum(high, found.rate)
    return replace(found, low=low, high=high)


def _given_law(groups: _Groups, seen: Bools, shape: float, confidence: float) -> Shrunk:
    some = groups.chosen(seen)
    rate = shape / float(_means(some, np.array([shape]))[0])
    own, watched = shape + groups.failures, rate + groups.exposure
    low, high = _gamma_limits(own, watched, confidence)
    likelihood = float(_marginal(some, np.array([shape]), np.array([rate]))[0])
    return Shrunk(own / watched, low, high, shape, rate, likelihood)
