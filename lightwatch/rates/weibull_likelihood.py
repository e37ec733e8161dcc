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

from dataclasses import dataclass

import numpy as np

from lightwatch.rates.ages import FloatArray
from lightwatch.rates.newton import Partial
from lightwatch.rates.weibull_blocks import Block


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
