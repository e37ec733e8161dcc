"""How fast parts of a kind are used up, by age, model, depot, season and weather.

The hazard of taking a new part is piecewise exponential on Lexis cells: a natural
cubic spline in log age for the kind, with what each type departs from it; a level for
each type, model and depot; two pairs of season terms; days of frost and rain beyond
those usual in the month; a level that drifts from quarter to quarter, as practice does;
and a level for every month in the place, and at the depot. Their spreads are estimated
with it. It is fitted by Newton's method on the penalised Poisson likelihood, the
spreads by EM; the posterior is Laplace's [1]_.

References
----------
.. [1] N. E. Breslow, D. G. Clayton, Journal of the American Statistical Association
   88 (1993), 9-25 (penalised likelihood of random effects); from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from lightwatch.decisions.stock.terms import (
    DRIFT_SD,
    DRIFT_WORTH,
    MONTH_SD,
    MONTH_WORTH,
    Floats,
    Layout,
    Spreads,
    Watched,
    drift_precision,
)
from lightwatch.errors import NotEnoughEvidence

MOST_ROUNDS = 60
LONGEST_STEP = 0.5
CLOSE = 1e-5


@dataclass(frozen=True)
class Wear:
    """A fitted hazard of using a part: terms, how sure they are, spreads of months.

    ``oldest_months`` is the greatest age seen; beyond it the hazard is extrapolated.
    """

    layout: Layout
    terms: Floats
    covariance: Floats
    spreads: Spreads
    used: float
    oldest_months: int


@dataclass(frozen=True)
class _Block:
    """One type's cells with their terms."""

    ages: Floats
    places: Floats
    exposure: Floats
    by_age: Floats
    by_place: Floats


def _blocks(layout: Layout, watched: Sequence[Watched]) -> list[_Block]:
    made = []
    for one in watched:
        seen = np.flatnonzero(one.exposure.sum(axis=1) > 0)
        if not seen.size:
            continue
        ages = layout.ages(seen, one.type)
        used = one.used[seen]
        made.append(
            _Block(
                ages,
                layout.places(one),
                one.exposure[seen],
                used.sum(axis=1),
                used.sum(axis=0),
            )
        )
    return made


def _score_and_information(
    blocks: Sequence[_Block], terms: Floats
) -> tuple[Floats, Floats]:
    """Return score and information; expected use is an outer product per type."""
    score = np.zeros(terms.size)
    information = np.zeros((terms.size, terms.size))
    for one in blocks:
        rate, ratio = np.exp(one.ages @ terms), np.exp(one.places @ terms)
        watched = one.exposure * rate[:, None]
        of_age, of_place = watched @ ratio, watched.sum(axis=0) * ratio
        score += one.ages.T @ (one.by_age - of_age)
        score += one.places.T @ (one.by_place - of_place)
        across = (one.ages.T @ watched) @ (one.places * ratio[:, None])
        information += (one.ages * of_age[:, None]).T @ one.ages
        information += (one.places * of_place[:, None]).T @ one.places
        information += across + across.T
    return score, information


def _newton(
    blocks: Sequence[_Block], terms: Floats, penalty: Floats
) -> tuple[Floats, float, Floats]:
    """Return the terms after one step, how far it went, and their covariance."""
    score, information = _score_and_information(blocks, terms)
    information += penalty + 1e-9 * np.eye(terms.size)
    try:
        covariance = cho_solve(cho_factor(information), np.eye(terms.size))
    except LinAlgError:
        raise NotEnoughEvidence("what was seen cannot tell the effects apart") from None
    step = covariance @ (score - penalty @ terms)
    longest = max(
        float(np.abs(columns @ step).max())
        for one in blocks
        for columns in (one.ages, one.places)
    )
    taken = step * min(1.0, LONGEST_STEP / max(longest, 1e-12))
    return terms + taken, longest, covariance


def _month_sd(terms: Floats, variance: Floats) -> tuple[float, float]:
    """Return the spread of months (an EM step), and how many months it is worth."""
    if not terms.size:
        return MONTH_SD, MONTH_WORTH
    summed = float((terms**2 + variance).sum()) + MONTH_WORTH * MONTH_SD**2
    found = float(np.sqrt(summed / (terms.size + MONTH_WORTH)))
    told = float(np.clip(1 - variance / found**2, 0, 1).sum())
    return found, MONTH_WORTH + told


def _spreads(layout: Layout, terms: Floats, covariance: Floats) -> Spreads:
    """Return the spreads by one step of EM."""
    months, depots = layout.part("month"), layout.part("depot_month")
    variance = np.diag(covariance)
    month, worth = _month_sd(terms[months], variance[months])
    depot_month, _ = _month_sd(terms[depots], variance[depots])
    at = layout.part("drift")
    precision = drift_precision(layout.sizes["drift"])
    summed = terms[at] @ precision @ terms[at]
    summed += float((precision * covariance[at, at]).sum())
    summed += DRIFT_WORTH * DRIFT_SD**2
    drift = float(np.sqrt(summed / (layout.sizes["drift"] + DRIFT_WORTH)))
    return Spreads(month, depot_month, drift, worth)


def fit_wear(layout: Layout, watched: Sequence[Watched]) -> Wear:
    """Fit how fast parts of one kind are used up.

    Parameters
    ----------
    layout
        The terms.
    watched
        Time under watch and parts used, one entry a type.

    Raises
    ------
    NotEnoughEvidence
        No part was used, or the fit does not settle.
    """
    blocks = _blocks(layout, watched)
    used = sum(float(one.by_age.sum()) for one in blocks)
    under_watch = sum(float(one.exposure.sum()) for one in blocks)
    if used <= 0 or under_watch <= 0:
        raise NotEnoughEvidence("no part of the kind has been used yet")
    terms = np.zeros(layout.width)
    terms[layout.part("constant")] = np.log(used / under_watch)
    spreads = Spreads()
    for _ in range(MOST_ROUNDS):
        terms, far, covariance = _newton(blocks, terms, layout.penalty(spreads))
        before, spreads = spreads, _spreads(layout, terms, covariance)
        if far < CLOSE and spreads.away_from(before) < CLOSE:
            break
    oldest = max(
        int(np.flatnonzero(one.exposure.sum(axis=1) > 0)[-1])
        for one in watched
        if one.exposure.any()
    )
    return Wear(layout, terms, covariance, spreads, used, oldest)
