"""Mean remaining life of a Weibull life."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lightwatch.rates.ages import FloatArray

_WORN = 30.0
"""Cumulative hazard beyond which the incomplete gamma function is left for a sum."""


def mean_remaining(
    shape: float, scale_years: float, age_years: ArrayLike
) -> FloatArray:
    """Return the mean life that remains to one alive at an age [years].

    With z = (age / scale)^shape it is (scale / shape) exp(z) Gamma(1 / shape, z).

    Parameters
    ----------
    shape
        Weibull shape.
    scale_years
        Characteristic life [years].
    age_years
        Ages reached [years].

    Examples
    --------
    >>> round(float(mean_remaining(1.0, 8.0, 20.0)), 6)
    8.0
    """
    from scipy.special import gamma, gammaincc

    power = 1 / shape
    spent = (np.asarray(age_years, dtype=np.float64) / scale_years) ** shape
    young = np.minimum(spent, _WORN)
    exact = np.exp(young) * gamma(power) * gammaincc(power, young)
    nodes, weights = np.polynomial.laguerre.laggauss(40)
    old = np.maximum(spent, _WORN)[..., None]
    summed = ((nodes + old) ** (power - 1)) @ weights
    return np.asarray(scale_years / shape * np.where(spent <= _WORN, exact, summed))
