"""A constant rate with exact limits."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import gammainccinv, gammaincinv

from lightwatch.errors import NotEnoughEvidence


@dataclass(frozen=True)
class Rate:
    """Failures per unit-year, with limits."""

    per_year: float
    low_per_year: float
    high_per_year: float


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
