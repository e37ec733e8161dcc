"""A constant rate with exact limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammainccinv, gammaincinv, ndtri

from lightwatch.errors import NotEnoughEvidence


@dataclass(frozen=True)
class Rate:
    """Failures per unit-year, with limits."""

    per_year: float
    low_per_year: float
    high_per_year: float


def widened(rate: Rate, log_sd: float, confidence: float = 0.95) -> Rate:
    """Widen the limits of a rate whose time under watch is itself an estimate.

    How far each limit is from the rate, on the log scale, is added in squares to the
    half-width of the other factor's limits (recovered variances [1]_).

    Parameters
    ----------
    rate
        With the limits that chance alone gives.
    log_sd
        Standard deviation of the logarithm of the other factor; 0 changes nothing.
    confidence
        Of both.

    References
    ----------
    .. [1] A. Donner, G. Y. Zou, Statist. Meth. Med. Res. 21 (2012), 347-359; from
       memory.

    Examples
    --------
    >>> wide = widened(Rate(1.0, 0.5, 2.0), 0.2)
    >>> round(wide.low_per_year, 3), round(wide.high_per_year, 3)
    (0.451, 2.217)
    """
    if not log_sd > 0:
        return rate
    half = float(ndtri((1 + confidence) / 2)) * log_sd
    most, high = rate.per_year, rate.high_per_year
    if not most > 0:
        return Rate(most, rate.low_per_year, high * float(np.exp(half)))
    up = np.hypot(np.log(high / most), half)
    down = np.hypot(np.log(most / rate.low_per_year), half)
    return Rate(most, float(most * np.exp(-down)), float(most * np.exp(up)))


def exact_rate(failures: int, unit_years: float, confidence: float = 0.95) -> Rate:
    """Estimate a constant failure rate from failures and time under watch.

    No failures is an answer too: the estimate is zero, the upper limit is not.

    Parameters
    ----------
    failures
        Failures seen.
    unit_years
        Time under watch [unit-years].
    confidence
        Of the two-sided limits.

    Returns
    -------
    Rate
        Failures per unit-year, exact Poisson limits by chi-square quantiles.

    Raises
    ------
    NotEnoughEvidence
        Nothing was watched: zero unit-years.

    References
    ----------
    .. [1] F. Garwood, Biometrika 28 (1936), 437-442.

    Examples
    --------
    >>> rate = exact_rate(0, 100.0)
    >>> rate.per_year, round(rate.high_per_year, 4)
    (0.0, 0.0369)
    """
    if failures < 0 or not 0 < confidence < 1:
        raise ValueError(f"no rate from {failures} failures at {confidence}")
    if not unit_years > 0:
        raise NotEnoughEvidence("nothing was watched: zero unit-years")
    tail = (1 - confidence) / 2
    low = float(gammaincinv(failures, tail)) if failures else 0.0
    high = float(gammainccinv(failures + 1, tail))
    return Rate(failures / unit_years, low / unit_years, high / unit_years)
