"""What else would call a circuit faulted: counting, clustering, testing for excess.

References
----------
.. [1] M. Ester et al., KDD-96 (1996): DBSCAN.
.. [2] Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300.
.. [3] J. G. Skellam, J. R. Statist. Soc. B 10 (1948) 257: the beta-binomial.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import betabinom, false_discovery_control
from sklearn.cluster import DBSCAN

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

COUNTS = (2, 3, 4, 5)
REACHES = ((60.0, 3), (90.0, 4), (60.0, 4), (90.0, 3), (130.0, 4), (130.0, 5))
"""Reach [m] and least lights of a cluster; the first two as in the goals, the others
for hindsight."""

DISCOVERIES = 0.05


def clusters(place: Floats, reach_m: float, least: int) -> Ints:
    """Return the cluster of each place, -1 for none."""
    if not len(place):
        return np.zeros(0, dtype=np.int64)
    labels: Ints = DBSCAN(eps=reach_m, min_samples=least).fit_predict(place)
    return labels


def clustered_circuits(out: pd.DataFrame, reach_m: float, least: int) -> set[str]:
    """Return circuits that have two lights or more in one cluster of lights out."""
    label = clusters(out[["x_m", "y_m"]].to_numpy(float), reach_m, least)
    both = out.assign(label=label)[label >= 0]
    size = both.groupby(["circuit_id", "label"]).size()
    return set(size[size >= 2].index.get_level_values("circuit_id")) - {""}


def moments(out: Ints, lights: Ints) -> tuple[float, float]:
    """Return the beta-binomial's alpha and beta by the method of moments.

    Of groups all of one size, or of their mean size where sizes differ.
    """
    n = float(lights.mean())
    first, second = float((out / lights).mean() * n), float((out**2).mean())
    below = n * (second / first - first - 1) + first
    return (n * first - second) / below, (n - first) * (n - second / first) / below


def log_likelihood(out: Ints, lights: Ints, alpha: float, beta: float) -> float:
    """Return the log-likelihood of counts under a beta-binomial."""
    return float(betabinom.logpmf(out, lights, alpha, beta).sum())


def most_likely(out: Ints, lights: Ints) -> tuple[float, float]:
    """Return alpha and beta of greatest likelihood."""
    mean = np.clip(out.sum() / lights.sum(), 1e-6, 0.5)

    def shapes(at: Floats) -> tuple[float, float]:
        share, size = float(expit(at[0])), float(np.exp(at[1]))
        return share * size, (1 - share) * size

    def loss(at: Floats) -> float:
        return -log_likelihood(out, lights, *shapes(at))

    start = np.array([logit(mean), 2.0])
    found = minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-4})
    return shapes(found.x)


def excess(out: Ints, lights: Ints) -> Floats:
    """Return for each circuit the chance of as many lights out, or more, by chance."""
    alpha, beta = most_likely(out, lights)
    chance: Floats = betabinom.sf(out - 1, lights, alpha, beta)
    return np.clip(chance, 0.0, 1.0)


def discovered(chance: Floats, share: float = DISCOVERIES) -> Flags:
    """Tell which tests are discoveries, of which this share at most are false."""
    flags: Flags = false_discovery_control(chance) <= share
    return flags


def flags(lights: pd.DataFrame, circuits: pd.DataFrame) -> pd.DataFrame:
    """Return what each baseline says of each circuit.

    Parameters
    ----------
    lights
        Lights in service: circuit_id, x_m, y_m, known (to be out).
    circuits
        circuit_id, lights, known: counts.

    Returns
    -------
    pandas.DataFrame
        A flag for each baseline, and ``excess``: the chance of that many.
    """
    found = pd.DataFrame(index=circuits.index)
    known, of = circuits["known"].to_numpy(), circuits["lights"].to_numpy()
    for least in COUNTS:
        found[f"count >= {least}"] = known >= least
    out = lights[lights["known"]]
    for reach_m, least in REACHES:
        names = clustered_circuits(out, reach_m, least)
        found[f"DBSCAN {reach_m:.0f} m, {least}"] = circuits["circuit_id"].isin(names)
    found["excess"] = excess(known, of)
    found["beta-binomial, BH 5 %"] = discovered(found["excess"].to_numpy())
    return found
