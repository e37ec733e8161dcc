"""A bound on Weibull life when too few have failed to fit one: the shape is assumed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.rates.ages import FloatArray, between, weights_of


@dataclass(frozen=True)
class WeibayesBound:
    """Life is at least this long, if the shape is what was assumed.

    ``scale_low_years`` is a one-sided lower limit of the characteristic life;
    ``scale_years`` the estimate, none when nothing failed.
    """

    assumed_shape: float
    scale_low_years: float
    scale_years: float | None
    failures: float
    confidence: float

    def quantile_low(self, share: ArrayLike) -> FloatArray:
        """Return the least age by which a share has failed [years]."""
        spent = -np.log1p(-np.asarray(share, dtype=np.float64))
        return np.asarray(self.scale_low_years * spent ** (1 / self.assumed_shape))


def weibayes(
    entry_age: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    shape: float,
    *,
    weights: ArrayLike | None = None,
    confidence: float = 0.95,
) -> WeibayesBound:
    """Bound the characteristic life for an assumed shape; no failures will do.

    Parameters
    ----------
    entry_age
        Age at which each life came under watch [years].
    low, high
        It failed in (low, high]: equal when the age is known, high infinite when it
        was still alive at low [years]. A failure between two ages counts as watched
        to the first, which makes the bound the lower.
    shape
        Assumed: it comes from elsewhere, not from these lives.
    weights
        How many alike each life stands for.
    confidence
        Of the one-sided lower limit.

    Returns
    -------
    WeibayesBound
        And the shape that was assumed.

    Raises
    ------
    NotEnoughEvidence
        Nothing was watched.
    NotUnderstood
        The shape is not above zero.

    References
    ----------
    .. [1] R. B. Abernethy et al., Weibull Analysis Handbook, AFWAL-TR-83-2079 (1983),
       chapter 6; the limit by chi-square is exact for lives watched to a set number of
       failures, and no less than exact for lives watched to a set age.

    Examples
    --------
    >>> bound = weibayes([0] * 3, [438] * 3, [float("inf")] * 3, 2.0, confidence=0.9)
    >>> round(bound.scale_low_years)
    500
    """
    from scipy.special import gammaincinv

    if not (shape > 0 and np.isfinite(shape)):
        raise NotUnderstood(f"shape {shape} is not above zero")
    begun, first, last = between(entry_age, low, high)
    weight = weights_of(weights, len(first))
    counts = np.ones(len(first)) if weight is None else weight
    top = float(first.max()) if len(first) else 0.0
    if not top > 0:
        raise NotEnoughEvidence("nothing was watched: no life was seen past age zero")
    spent = float(counts @ ((first / top) ** shape - (begun / top) ** shape))
    failures = float(counts[np.isfinite(last)].sum())
    if not spent > 0:
        raise NotEnoughEvidence("nothing was watched: every life left as it entered")
    most = float(gammaincinv(failures + 1, confidence))
    return WeibayesBound(
        assumed_shape=float(shape),
        scale_low_years=top * (spent / most) ** (1 / shape),
        scale_years=top * (spent / failures) ** (1 / shape) if failures else None,
        failures=failures,
        confidence=confidence,
    )
