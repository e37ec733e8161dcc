"""Could it be chance? Tails of scan statistics, and what they leave to believe.

References
----------
.. [1] A. M. Abrams, K. Kleinman, M. Kulldorff, International Journal of Health
   Geographics 9:61 (2010): the Gumbel law of the greatest log-ratio.
.. [2] T. Sellke, M. J. Bayarri, J. O. Berger, American Statistician 55 (2001) 62-71:
   the most that a p-value can say against chance; from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def gumbel_tail(replicates: Floats, observed: float) -> float:
    """Return the chance of as great a value under the Gumbel law of replicates.

    The law is found by moments, so that a few replicates tell small chances [1]_.
    Replicates that are all alike tell no more than that none was as great.

    Parameters
    ----------
    replicates
        Greatest values of worlds in which only chance is at work; two or more.
    observed
        The value in question.
    """
    scale = float(np.std(replicates, ddof=1)) * math.sqrt(6) / math.pi
    mode = float(np.mean(replicates)) - np.euler_gamma * scale
    if scale == 0:
        return 1.0 / (len(replicates) + 1) if observed > mode else 1.0
    away = (observed - mode) / scale
    return -math.expm1(-math.exp(-away)) if away > -700 else 1.0


def believed(p_value: float, prior: float) -> float:
    r"""Return the probability that it is not chance, at most [2]_.

    The odds before are turned by the greatest factor that the p-value allows,
    :math:`-1/(e\,p \ln p)`.

    Parameters
    ----------
    p_value
        Chance of as much by chance.
    prior
        Probability before looking.

    Examples
    --------
    >>> round(believed(0.05, 0.5), 3)
    0.711
    """
    if p_value <= 0:
        return 1.0
    chance = -math.e * p_value * math.log(p_value) if p_value < 1 / math.e else 1.0
    return prior / (prior + (1 - prior) * chance)
