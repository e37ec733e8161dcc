"""Weibull lives: watched from any age, failed at an age or between two, or still alive.

The fit is a sum over blocks of lives: ``fit_weibull`` makes the blocks and adds up
here; ``fit_from`` takes a sum that was worked out anywhere else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.rates.ages import FloatArray, between, column, refuse, weights_of
from lightwatch.rates.newton import Likelihood, Partial, Peak, maximise
from lightwatch.rates.partitions import Keep, here
from lightwatch.rates.weibull_blocks import Block, Lives, Scaling, block, scaling_of
from lightwatch.rates.weibull_life import OF_THE_LIFE, WeibullFit

Covariates = ArrayLike | Mapping[str, ArrayLike] | None

_SAMPLED = 16
"""Newton begins on every sixteenth block, where a step costs a sixteenth."""
_STEEPEST_LOG_SHAPE = 6.9
_WIDEST_ERROR = 100.0


@dataclass(frozen=True)
class Tally:
    """What was seen, to refuse or to begin with; tallies of disjoint lives add up."""

    lives: float
    failures: float
    unit_ages: float

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.lives + other.lives,
            self.failures + other.failures,
            self.unit_ages + other.unit_ages,
        )


def tally(lives: Block) -> Tally:
    """Count the lives and failures of a block and their time under watch."""
    watched = np.exp(lives.log_exit)
    if lives.log_entry is not None:
        watched -= np.exp(lives.log_entry)
    weights = np.ones(len(watched)) if lives.weights is None else lives.weights
    failures = weights[: lives.exact].sum() + weights[lives.single :].sum()
    return Tally(float(weights.sum()), float(failures), float(watched @ weights))


def fit_weibull(
    entry_age: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    covariates: Covariates = None,
    keep: Keep = here,
) -> WeibullFit:
    """Fit a Weibull life by maximum likelihood.

    Parameters
    ----------
    entry_age
        Age at which each life came under watch: left truncation [years].
    low, high
        It failed in (low, high]: equal when the age is known, high infinite when it
        was still alive at low [years].
    weights
        How many alike each life stands for.
    covariates
        One row a life, or columns by name; they act in proportion on the hazard.
    keep
        Where the blocks of lives are kept and summed over: here, or on a cluster.

    Returns
    -------
    WeibullFit
        The estimates, with limits on request.

    Raises
    ------
    NotEnoughEvidence
        No failures, fewer than there are parameters, or failures that do not settle
        them; without any, ``weibayes`` gives a bound for an assumed shape.
    NotUnderstood
        Ages contradict one another, or the covariates repeat one another.

    References
    ----------
    .. [1] W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data
       (1998), chapters 8, 11 and 17.
    .. [2] J. D. Kalbfleisch and R. L. Prentice, The Statistical Analysis of Failure
       Time Data, 2nd ed. (2002), chapter 3.

    Examples
    --------
    >>> fit = fit_weibull([0, 0, 2, 0], [3, 5, 4, 6], [3, 5, 5, float("inf")])
    >>> round(fit.shape, 2), round(fit.scale_years, 2)
    (3.69, 5.32)
    """
    begun, first, last = between(entry_age, low, high)
    if not len(first):
        raise NotEnoughEvidence("there are no lives")
    names, columns = _columns(covariates, len(first))
    lives = Lives(begun, first, last, weights_of(weights, len(first)), columns)
    scaling = scaling_of(lives)
    blocks = [block(part, scaling) for part in lives.parts()]

    some = keep(blocks)
    seen = sum((tally(one) for one in blocks), Tally(0.0, 0.0, 0.0))
    _refuse_few(seen, len(names))
    start = _start(seen, len(names))
    if len(blocks) >= 4 * _SAMPLED:
        start = _nearer(_bounded(lambda theta: some(theta, _SAMPLED)), start)
    return fit_from(lambda theta: some(theta, 1), seen, scaling, names, start)


def fit_from(
    likelihood: Likelihood,
    seen: Tally,
    scaling: Scaling,
    names: Sequence[str] = (),
    start: FloatArray | None = None,
) -> WeibullFit:
    """Fit a Weibull life from anything that sums ``partial`` over all blocks.

    Parameters
    ----------
    likelihood
        The sum at a point, wherever its shares are worked out.
    seen
        The sum of the tallies.
    scaling
        What all blocks were scaled by.
    names
        Of the covariates.
    start
        Where to begin.
    """
    _refuse_few(seen, len(scaling.centre))
    bounded = _bounded(likelihood)
    begin = _start(seen, len(scaling.centre)) if start is None else start
    peak = maximise(bounded, begin)
    errors = _errors(peak)
    wide = errors > _WIDEST_ERROR
    loose = [name for name, one in zip(names, wide[2:], strict=True) if one]
    if wide[:2].any() and not loose:
        loose = ["shape and scale"]
    if loose:
        raise NotEnoughEvidence(
            f"the failures do not settle {', '.join(loose)}: the likelihood stays flat"
        )
    return _described(peak, bounded, seen, scaling, tuple(names))


def _columns(
    covariates: Covariates, length: int
) -> tuple[tuple[str, ...], list[FloatArray]]:
    """Return the names of the covariates and a column for each."""
    if covariates is None:
        return (), []
    if isinstance(covariates, Mapping):
        given = {str(name): one for name, one in covariates.items()}
    else:
        table = np.asarray(covariates, dtype=np.float64)
        if table.ndim != 2:
            raise NotUnderstood("covariates are not a table of one row a life")
        given = {f"x{number + 1}": one for number, one in enumerate(table.T)}
    taken = set(given) & set(OF_THE_LIFE)
    if taken:
        raise NotUnderstood(f"a covariate may not be called {', '.join(sorted(taken))}")
    columns = [column(one, name, length) for name, one in given.items()]
    for name, one in zip(given, columns, strict=True):
        refuse(~np.isfinite(one), f"{name} is not finite")
    return tuple(given), columns


def _refuse_few(seen: Tally, covariates: int) -> None:
    needed = 2 + covariates
    if seen.failures == 0:
        raise NotEnoughEvidence(
            f"none of {seen.lives:g} lives failed: a Weibull life needs failures "
            "(weibayes gives a bound for an assumed shape)"
        )
    if not seen.unit_ages > 0:
        raise NotEnoughEvidence("nothing was watched: every life left as it entered")
    if seen.failures < needed:
        raise NotEnoughEvidence(
            f"{seen.failures:g} of {seen.lives:g} lives failed: too few for "
            f"{needed} parameters"
        )


def _start(seen: Tally, covariates: int) -> FloatArray:
    """Begin from a constant hazard."""
    start = np.zeros(2 + covariates)
    start[1] = np.log(seen.failures / seen.unit_ages)
    return start


def _errors(peak: Peak) -> FloatArray:
    """Return standard errors; infinite where the peak is flat but for rounding."""
    variance = np.diag(np.linalg.inv(peak.information))
    return np.sqrt(np.where(variance > 0, variance, np.inf))


def _nearer(sample: Likelihood, start: FloatArray) -> FloatArray:
    """Return the peak of a sample, if the sample settles it; else begin as told."""
    try:
        peak = maximise(sample, start)
    except NotEnoughEvidence:
        return start
    errors = _errors(peak)
    return peak.theta if errors.max() < 1 else start


def _bounded(likelihood: Likelihood) -> Likelihood:
    """Refuse a shape that runs away: the failures are too alike to settle it."""

    def bounded(theta: FloatArray) -> Partial:
        if abs(theta[0]) > _STEEPEST_LOG_SHAPE:
            raise NotEnoughEvidence(
                "the failures do not settle the shape: it grows or falls without end"
            )
        return likelihood(theta)

    return bounded


def _described(
    peak: Peak,
    likelihood: Likelihood,
    seen: Tally,
    scaling: Scaling,
    names: tuple[str, ...],
) -> WeibullFit:
    """Bring the peak from standard covariates and unit age to years."""
    g, b0 = float(peak.theta[0]), float(peak.theta[1])
    shape = float(np.exp(g))
    shift = scaling.centre / scaling.spread
    level = b0 - float(peak.theta[2:] @ shift)
    back = np.diag(np.concatenate([[1.0, -1 / shape], 1 / scaling.spread]))
    back[1, 0] = level / shape
    back[1, 2:] = shift / shape
    return WeibullFit(
        shape=shape,
        scale_years=scaling.unit_years * float(np.exp(-level / shape)),
        coefficients=peak.theta[2:] / scaling.spread,
        names=names,
        log_likelihood=peak.log_likelihood,
        covariance=back @ np.linalg.inv(peak.information) @ back.T,
        lives=seen.lives,
        failures=seen.failures,
        steps=peak.steps,
        _likelihood=likelihood,
        _peak=peak,
        _scaling=scaling,
    )
