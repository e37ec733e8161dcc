"""Does a fitted life fit? Observed against expected failures by age.

Bands of age hold about equally many failures. With late entry and censoring the
failures expected in a band are the cumulative hazard spent there by all that were
watched; the sum of (observed - expected)^2 / expected is then about chi-square, two
degrees lost to the fitted shape and scale (common practice in tables of observed over
expected; the exact law is that of N. L. Hjort, Annals of Statistics 18 (1990), from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import chdtrc

from lightwatch.rates.ages import FloatArray
from lightwatch.rates.weibull_life import WeibullFit

LEAST_A_BAND = 10
MOST_BANDS = 10
SIGNIFICANT = 0.01


@dataclass(frozen=True)
class Goodness:
    """How far a fit is from what was seen.

    ``ages_years`` are the edges of the bands; ``observed`` and ``expected`` failures
    in each; ``p_value`` None where there are too few to tell.
    """

    ages_years: FloatArray
    observed: FloatArray
    expected: FloatArray
    p_value: float | None

    @property
    def fits(self) -> bool:
        """Whether nothing speaks against the fit."""
        return self.p_value is None or self.p_value >= SIGNIFICANT

    def in_words(self) -> str:
        """Say where the fit is wrong; '' if nothing speaks against it."""
        if self.fits:
            return ""
        pull = (self.observed - self.expected) / np.sqrt(self.expected)
        worst = int(np.argmax(np.abs(pull)))
        low, high = self.ages_years[worst], self.ages_years[worst + 1]
        more = "more" if pull[worst] > 0 else "fewer"
        return (
            f"a Weibull does not fit: {more} failures than it expects at "
            f"{low:.1f}-{high:.1f} years; use the hazard by age"
        )


def goodness(
    fit: WeibullFit,
    entry_age: FloatArray,
    exit_age: FloatArray,
    failed: FloatArray,
    weights: FloatArray,
) -> Goodness:
    """Hold a fitted life against the failures seen, by age.

    Parameters
    ----------
    fit
        The fitted life.
    entry_age, exit_age
        Of each of n lives [years].
    failed
        Whether each ended by failure.
    weights
        How many alike each stands for.
    """
    failed = np.asarray(failed, dtype=bool)
    total = float(weights[failed].sum())
    bands = int(np.clip(total // LEAST_A_BAND, 1, MOST_BANDS))
    inner = np.quantile(exit_age[failed], np.linspace(0, 1, bands + 1)[1:-1])
    edges = np.unique(np.concatenate([[0.0], inner, [float(exit_age.max())]]))
    observed, expected = np.zeros(len(edges) - 1), np.zeros(len(edges) - 1)
    for i, (low, high) in enumerate(pairwise(edges)):
        start, end = np.maximum(entry_age, low), np.minimum(exit_age, high)
        spent = (end / fit.scale_years) ** fit.shape
        spent = spent - (start / fit.scale_years) ** fit.shape
        expected[i] = float((weights * np.where(start < end, spent, 0.0)).sum())
        inside = failed & (exit_age > low) & (exit_age <= high)
        observed[i] = float(weights[inside].sum())
    freedom = len(observed) - 2
    p_value = None
    if freedom >= 1 and (expected > 0).all():
        distance = float(((observed - expected) ** 2 / expected).sum())
        p_value = float(chdtrc(freedom, distance))
    return Goodness(edges, observed, expected, p_value)
