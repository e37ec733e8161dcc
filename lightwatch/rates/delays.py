"""From days until something is noticed to calendar months until then."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DAYS_PER_MONTH = 365.25 / 12


def monthly_delays(noticed_within: npt.ArrayLike, delay_months: int) -> Floats:
    """Return how likely a failure is noticed so many calendar months after its own.

    Whatever the day of the month on which it failed: each is as likely.

    Parameters
    ----------
    noticed_within
        Chance to have been noticed within 0, 1, 2, ... days of failing, a row a class;
        held at its last value beyond.
    delay_months
        Months to spread over, the month of failing included.

    Returns
    -------
    numpy.ndarray
        Classes by months; a row sums to the chance to be noticed at all in that time.

    Examples
    --------
    >>> at_once = [[1.0]]
    >>> monthly_delays(at_once, 3)
    array([[1., 0., 0.]])
    """
    within = np.atleast_2d(np.asarray(noticed_within, dtype=np.float64))
    if np.any(np.diff(within, axis=1) < 0) or within.min() < 0 or within.max() > 1:
        raise ValueError("chances to have been noticed must rise within 0 and 1")
    days = np.arange(within.shape[1])
    parts = 60
    left = (np.arange(parts) + 0.5) / parts
    by_end = np.empty((within.shape[0], delay_months))
    for month in range(delay_months):
        at = (month + left) * DAYS_PER_MONTH
        for row, chance in enumerate(within):
            by_end[row, month] = np.interp(at, days, chance).mean()
    return np.diff(by_end, axis=1, prepend=0.0)
