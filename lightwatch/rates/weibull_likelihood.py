"""Share by share: the Weibull log-likelihood of lives in blocks.

A life entered watch at age e and failed in (l, h]. With the cumulative hazard
H(t) = exp(k log(t / unit) + b0 + x b), k = exp(g), its log-likelihood is

    exact at t        log h(t) - H(t) + H(e)
    alive at l        -H(l) + H(e)
    failed in (l, h]  -H(l) + log(1 - exp(-(H(h) - H(l)))) + H(e)

Score and information in theta = (g, b0, b) are sums over lives, so any split of the
lives into blocks, on one machine or many, gives the same fit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from lightwatch.errors import NotUnderstood
from lightwatch.rates.ages import FloatArray, refuse
from lightwatch.rates.newton import Partial

LIVES_A_BLOCK = 8192
_LOG_OF_ZERO = -1e100
"""So far down that exp(k times it) is zero, yet its square is finite."""


@dataclass(frozen=True)
class Scaling:
    """The unit of age [years] and the centre and spread of each covariate.

    It changes no answer, only how well the numbers behave; all blocks share one.
    """

    unit_years: float
    centre: FloatArray
    spread: FloatArray

    def standard(self, covariates: FloatArray) -> FloatArray:
        """Return covariates in units of their spread about their centre."""
        return np.asarray((covariates - self.centre) / self.spread)


@dataclass(frozen=True)
class Lives:
    """Checked arrays, one entry a life; covariates by column."""

    entry_age: FloatArray
    low: FloatArray
    high: FloatArray
    weights: FloatArray | None
    covariates: Sequence[FloatArray]

    def part(self, begin: int, end: int) -> Lives:
        """Return the lives from one number to another, without copying."""
        cut = slice(begin, end)
        weights = None if self.weights is None else self.weights[cut]
        return Lives(
            self.entry_age[cut],
            self.low[cut],
            self.high[cut],
            weights,
            [one[cut] for one in self.covariates],
        )

    def parts(self, size: int = LIVES_A_BLOCK) -> Iterator[Lives]:
        """Cut the lives into parts of a size that stays in the processor's cache."""
        for begin in range(0, len(self.low), size):
            yield self.part(begin, begin + size)


@dataclass(frozen=True)
class Block:
    """Lives made ready: first the exact failures, then the living, then intervals."""

    exact: int
    single: int
    log_exit: FloatArray
    log_gap: FloatArray
    log_entry: FloatArray | None
    weights: FloatArray | None
    design: FloatArray
    constant: float


def scaling_of(lives: Lives) -> Scaling:
    """Choose a unit of age near the failures and the spread of the covariates.

    Raises
    ------
    NotUnderstood
        A covariate is the same for all, or follows from the others.
    """
    unit = _unit(lives)
    count = len(lives.covariates)
    centre = np.array([one.mean() for one in lives.covariates])
    moments = np.zeros((count, count))
    for part in lives.parts():
        rows = np.array(part.covariates).reshape(count, len(part.low))
        rows -= centre[:, None]
        moments += rows @ rows.T
    spread = np.sqrt(np.diag(moments) / max(len(lives.low), 1))
    small = spread <= 1e-12 * np.maximum(np.abs(centre), 1e-300)
    if small.any():
        raise NotUnderstood(f"covariate {int(np.argmax(small))} is the same for all")
    if count:
        likeness = moments / len(lives.low) / np.outer(spread, spread)
        if np.linalg.eigvalsh(likeness)[0] < 1e-10:
            raise NotUnderstood("the covariates repeat one another")
    return Scaling(unit, centre, spread)


def _unit(lives: Lives) -> float:
    """Return the mean of log age at failure, as an age."""
    total, count = 0.0, 0
    for part in lives.parts():
        ends = part.high[np.isfinite(part.high) & (part.high > 0)]
        total, count = total + float(np.log(ends).sum()), count + len(ends)
    return float(np.exp(total / count)) if count else 1.0


def block(lives: Lives, scaling: Scaling) -> Block:
    """Make a block of lives ready to be summed over."""
    exact = lives.low == lives.high
    refuse(
        exact & (lives.low == 0),
        "fails exactly at age zero; give the interval in which it failed",
    )
    interval = ~exact & np.isfinite(lives.high)
    order = np.argsort(np.where(exact, 0, np.where(interval, 2, 1)), kind="stable")
    single = len(order) - int(interval.sum())
    low, high = lives.low[order], lives.high[order]
    ends = np.concatenate([low[:single], high[single:]])
    with np.errstate(divide="ignore"):
        gap = np.minimum(np.log(high[single:] / low[single:]), -_LOG_OF_ZERO)
    narrow = high[single:] < 1.5 * low[single:]
    widths = (high[single:] - low[single:])[narrow]
    gap[narrow] = np.log1p(widths / low[single:][narrow])
    late = bool(lives.entry_age.any())
    weights = None if lives.weights is None else lives.weights[order]
    design = np.ones((1 + len(lives.covariates), len(order)))
    for row, one, centre, spread in zip(
        design[1:], lives.covariates, scaling.centre, scaling.spread, strict=True
    ):
        row[:] = (one[order] - centre) / spread
    count = int(exact.sum())
    log_density = -np.log(low[:count])
    if weights is not None:
        log_density = log_density * weights[:count]
    return Block(
        exact=count,
        single=single,
        log_exit=_log(ends / scaling.unit_years),
        log_gap=gap,
        log_entry=_log(lives.entry_age[order] / scaling.unit_years) if late else None,
        weights=weights,
        design=design,
        constant=float(log_density.sum()),
    )


def _log(ages: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.asarray(np.maximum(np.log(ages), _LOG_OF_ZERO))


@dataclass
class _Terms:
    """Log-likelihood of each life and its derivatives in g and eta = b0 + x b."""

    value: FloatArray
    eta: FloatArray
    g: FloatArray
    eta_eta: FloatArray
    g_eta: FloatArray
    g_g: FloatArray

    def at(self, rows: slice) -> _Terms:
        return _Terms(
            self.value[rows],
            self.eta[rows],
            self.g[rows],
            self.eta_eta[rows],
            self.g_eta[rows],
            self.g_g[rows],
        )


def _survived(power: FloatArray, hazard: FloatArray) -> _Terms:
    """Return the terms of -H: the life was alive, or failed exactly, at that age."""
    down = -hazard
    g = down * power
    g_g = g * power
    g_g += g
    return _Terms(down, down.copy(), g, down.copy(), g.copy(), g_g)


def _between(
    terms: _Terms, power: FloatArray, hazard: FloatArray, gap: FloatArray
) -> None:
    """Put in the terms of a failure in (l, h], from power and hazard at h.

    With d = H(h) - H(l): log S(l) is -H(l), and log(1 - exp(-d)) has derivative
    1 / (exp(d) - 1). The slope and curvature of log d in g do not depend on eta.
    """
    rise, slope, curve = log_rise(power, gap)
    d = hazard * rise
    low = hazard - d
    fails = -np.expm1(-d)
    pull = np.where(d > 0, d * (1 - fails) / np.where(d > 0, fails, 1.0), 1.0)
    bend = pull * (1 - pull - d)
    low_power = np.where(low > 0, power - gap, 0.0)
    low_g = low * low_power
    terms.value[:] = np.log(fails) - low
    terms.eta[:] = pull - low
    terms.eta_eta[:] = bend - low
    terms.g[:] = pull * slope - low_g
    terms.g_eta[:] = bend * slope - low_g
    terms.g_g[:] = pull * curve + bend * slope**2 - low_g * (low_power + 1)


def log_rise(
    power: FloatArray, gap: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how the hazard summed over (l, h] depends on g = log shape.

    Parameters
    ----------
    power
        k log(h / unit).
    gap
        k log(h / l).

    Returns
    -------
    tuple
        (H(h) - H(l)) / H(h), then the first and second derivative in g of
        log(H(h) - H(l)).
    """
    rise = -np.expm1(-gap)
    safe = np.where(gap > 0, rise, 1.0)
    low_share = np.where(gap > 0, gap * (1 - rise) / safe, 1.0)
    slope = power + low_share
    square = power**2 + low_share * (2 * power - gap)
    return rise, slope, slope + square - slope**2


def partial(theta: FloatArray, lives: Block) -> Partial:
    """Return the log-likelihood, score and observed information of one block.

    Parameters
    ----------
    theta
        (log shape, log cumulative hazard at the unit age, log hazard ratio of each
        standard covariate).
    lives
        A block of lives.

    Returns
    -------
    Partial
        Shares that add up over blocks.
    """
    shape = np.exp(theta[0])
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        log_hazard = theta[1:] @ lives.design
        power = shape * lives.log_exit
        terms = _survived(power, np.exp(power + log_hazard))
        if lives.single < len(power):
            rows = slice(lives.single, None)
            hazard = -terms.value[rows]
            _between(terms.at(rows), power[rows], hazard, shape * lives.log_gap)
        failed = slice(lives.exact)
        terms.value[failed] += power[failed] + log_hazard[failed] + theta[0]
        terms.eta[failed] += 1
        terms.g[failed] += 1 + power[failed]
        terms.g_g[failed] += power[failed]
        if lives.log_entry is not None:
            _enter(terms, shape * lives.log_entry, log_hazard)
        return _summed(terms, lives)


def _enter(terms: _Terms, power: FloatArray, log_hazard: FloatArray) -> None:
    """Add +H(e): the life is known only because it lived to its entry."""
    hazard = np.exp(power + log_hazard)
    terms.value += hazard
    terms.eta += hazard
    terms.eta_eta += hazard
    hazard *= power
    terms.g += hazard
    terms.g_eta += hazard
    terms.g_g += hazard
    hazard *= power
    terms.g_g += hazard


def _summed(terms: _Terms, lives: Block) -> Partial:
    if lives.weights is None:
        value, g, g_g = terms.value.sum(), terms.g.sum(), terms.g_g.sum()
    else:
        value, g, g_g = (
            one @ lives.weights for one in (terms.value, terms.g, terms.g_g)
        )
        for one in (terms.eta, terms.eta_eta, terms.g_eta):
            one *= lives.weights
    size = 1 + len(lives.design)
    score, information = np.empty(size), np.empty((size, size))
    score[0], score[1:] = g, lives.design @ terms.eta
    information[0, 0] = -g_g
    information[0, 1:] = information[1:, 0] = -(lives.design @ terms.g_eta)
    information[1:, 1:] = -((lives.design * terms.eta_eta) @ lives.design.T)
    return Partial(float(value) + lives.constant, score, information)
