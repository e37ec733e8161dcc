"""How often a part that is always replaced will have been replaced.

References
----------
.. [1] M. Xie, Communications in Statistics, Simulation 18 (1989), 281-293: the
   Riemann-Stieltjes method; from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lightwatch.decisions.stock.terms import Floats

STEPS = 400


def renewals(
    failed_by: Callable[[Floats], Floats], years: float, steps: int = STEPS
) -> tuple[Floats, Floats]:
    """Return times and the mean number of replacements by then.

    Parameters
    ----------
    failed_by
        Share of parts failed by an age [years].
    years
        How far.
    steps
        How finely; the error falls with the square.

    Notes
    -----
    Solves M(t) = F(t) + integral of M(t - x) dF(x), F taken at half steps [1]_.

    Examples
    --------
    A constant hazard of a half per year gives one replacement in two years:

    >>> _, count = renewals(lambda age: -np.expm1(-age / 2), 2.0)
    >>> round(float(count[-1]), 4)
    1.0
    """
    step = years / steps
    times: Floats = np.arange(steps + 1, dtype=np.float64) * step
    whole = np.asarray(failed_by(times))
    half = np.asarray(failed_by(np.asarray(times[:-1] + step / 2, dtype=np.float64)))
    count = np.zeros(steps + 1)
    growth = np.zeros(steps + 1)
    for at in range(1, steps + 1):
        earlier = growth[1:at] @ half[at - 1 : 0 : -1]
        found = whole[at] + earlier - count[at - 1] * half[0]
        count[at] = found / (1 - half[0])
        growth[at] = count[at] - count[at - 1]
    return times, count
