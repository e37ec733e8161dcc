"""Natural cubic splines: smooth between the knots, straight beyond them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

KNOTS_MONTHS = (3.0, 12.0, 36.0, 72.0, 120.0, 180.0)
"""Ages at which the shape of the hazard may bend [months]."""


@dataclass(frozen=True)
class AgeSpline:
    """A natural cubic spline in the logarithm of age.

    A Weibull hazard is a straight line in log age; the columns after the first let it
    bend, so that early failures and wear-out both fit.

    Parameters
    ----------
    knots_months
        Ages at which it may bend [months]; fewer than three leave a straight line.
    middle
        Log age at which the line is zero.
    """

    knots_months: tuple[float, ...]
    middle: float

    def columns(self, age_months: npt.ArrayLike) -> Floats:
        """Return the basis, ages by columns, the straight line first.

        Notes
        -----
        The restricted cubic form of Harrell [1]_, scaled to the reach of the knots.

        References
        ----------
        .. [1] F. E. Harrell, Regression Modeling Strategies, section 2.4.5; from
           memory.
        """
        x = log_age(age_months)
        line = x - self.middle
        if len(self.knots_months) < 3:
            return line[:, None]
        t = log_age(self.knots_months)
        cube = np.maximum(x[:, None] - t, 0.0) ** 3
        last, before = t[-1], t[-2]
        up = (last - t[:-2]) / (last - before)
        down = (before - t[:-2]) / (last - before)
        bends = cube[:, :-2] - cube[:, -2:-1] * up + cube[:, -1:] * down
        return np.column_stack([line, bends / (last - t[0]) ** 2])


def log_age(age_months: npt.ArrayLike) -> Floats:
    """Return the log of the age at the middle of a month of age [log months]."""
    return np.asarray(np.log(np.asarray(age_months, dtype=np.float64) + 0.5))


def spline_for(
    age_months: Floats,
    weight: Floats,
    knots_months: tuple[float, ...] = KNOTS_MONTHS,
) -> AgeSpline:
    """Return the spline whose knots lie within what was seen.

    Parameters
    ----------
    age_months, weight
        Ages [months] and how much was seen of each.
    knots_months
        The knots wished for.
    """
    seen = age_months[weight > 0]
    low, high = (seen.min(), seen.max()) if seen.size else (0.0, 0.0)
    kept = tuple(knot for knot in knots_months if low <= knot <= high)
    middle = (
        float(np.average(log_age(age_months), weights=weight)) if seen.size else 0.0
    )
    return AgeSpline(kept, middle)
