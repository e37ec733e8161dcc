"""The circular scan: of all circles of neighbours, which holds most beyond expectation.

Every place is the centre of circles that grow neighbour by neighbour. Cases within are
held against those expected there by Kulldorff's likelihood ratio [1]_; with recent
nights as a second measure of size the circle is a cylinder that ends now [2]_.

References
----------
.. [1] M. Kulldorff, Communications in Statistics: Theory and Methods 26 (1997)
   1481-1496.
.. [2] M. Kulldorff et al., PLoS Medicine 2 (2005) e59; and J. R. Statist. Soc. A 164
   (2001) 61-72 for cylinders that end now.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree
from scipy.special import xlogy

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def log_ratio(cases: Floats, expected: Floats, total: Floats | float) -> Floats:
    r"""Return the log-likelihood ratio of more within than expected, against as many.

    Zero where no more than expected is there.

    Parameters
    ----------
    cases, expected
        Within; cases may be shares of one.
    total
        Cases altogether, as many as are expected altogether.

    Notes
    -----
    :math:`c \ln(c/e) + (C - c) \ln((C - c)/(C - e))`.

    Examples
    --------
    >>> round(float(log_ratio(np.array(3.0), np.array(1.0), 10.0)), 4)
    1.5366
    """
    total = np.maximum(total, 1e-300)
    e = np.minimum(expected, total * (1 - 1e-12))
    more = cases > e
    safe = np.where(more, e, total / 2)
    rest = np.maximum(total - cases, 0.0)
    found = xlogy(cases, cases / safe) + xlogy(rest, rest / (total - safe))
    return np.where(more, found, 0.0)


@dataclass(frozen=True)
class Cluster:
    """A circle, and nights up to now, with more cases than expected.

    Parameters
    ----------
    places
        Positions of the places within, nearest to the centre first.
    window
        Which of the windows of nights.
    cases, expected
        Within.
    log_ratio
        Kulldorff's log-likelihood ratio.
    """

    places: Ints
    window: int
    cases: float
    expected: float
    log_ratio: float


@dataclass(frozen=True)
class Scan:
    """Circles of n places and W windows, and what is expected of them.

    Parameters
    ----------
    place
        Shape (n, 2): east and north [m].
    expected
        Shape (n, W): cases expected at each place within each window.
    total
        Shape (W,): cases altogether within each window.
    most_share
        A circle with a greater share of what is expected is not looked at.
    most_places
        Nor one with more places.
    fewest
        Nor one with cases at fewer places.
    """

    place: Floats
    expected: Floats
    total: Floats
    most_share: float = 0.5
    most_places: int = 60
    fewest: int = 1

    @cached_property
    def near(self) -> Ints:
        """For each place its neighbours, itself first: shape (n, K)."""
        count = min(self.most_places, len(self.place))
        _, found = KDTree(self.place).query(self.place, count)
        near: Ints = np.asarray(found, dtype=np.int64).reshape(len(self.place), count)
        return near

    @cached_property
    def _within(self) -> Floats:
        """Expected in each circle and window: shape (n, K, W)."""
        within: Floats = np.cumsum(self.expected[self.near], axis=1)
        return within

    @cached_property
    def _allowed(self) -> NDArray[np.bool_]:
        share = self.expected.sum(axis=0) * self.most_share
        return np.asarray(self._within <= share * (1 + 1e-12))

    def ratios(self, cases: Floats) -> tuple[Ints, Floats, Floats]:
        """Return the centres looked at, and cases and log-ratios of their circles.

        Only places with cases are centres if a circle must hold several.

        Parameters
        ----------
        cases
            Shape (n, W).
        """
        centre = np.arange(len(cases))
        if self.fewest > 1:
            centre = np.flatnonzero(cases.any(axis=1))
        near = self.near[centre]
        within = np.cumsum(cases[near], axis=1)
        several = np.cumsum(cases[near] > 0, axis=1) >= self.fewest
        good = several & self._allowed[centre]
        found = np.zeros(within.shape)
        total = np.broadcast_to(self.total, within.shape)[good]
        found[good] = log_ratio(within[good], self._within[centre][good], total)
        return centre, within, found

    def greatest(self, cases: Floats) -> float:
        """Return the greatest log-ratio of all circles."""
        return float(self.ratios(cases)[2].max(initial=0.0))

    def clusters(self, cases: Floats, least: float = 0.0) -> Iterator[Cluster]:
        """Give clusters, the best first, none sharing a place with a better one.

        Parameters
        ----------
        cases
            Shape (n, W).
        least
            Log-ratios up to this are not looked at.
        """
        centre, within, ratio = self.ratios(cases)
        where = np.argwhere(ratio > least)
        order = np.argsort(-ratio[tuple(where.T)], kind="stable")
        taken = np.zeros(len(cases), dtype=bool)
        for row, last, window in where[order]:
            places = self.near[centre[row], : last + 1]
            if taken[places].any():
                continue
            taken[places] = True
            yield Cluster(
                places,
                int(window),
                float(within[row, last, window]),
                float(self._within[centre[row], last, window]),
                float(ratio[row, last, window]),
            )
