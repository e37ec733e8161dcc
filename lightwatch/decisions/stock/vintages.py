"""Batches: how models of one year's installation depart from their kind.

Parts used of a batch are Poisson about those expected times a factor, which is gamma
about 1; its spread is found by maximum likelihood over all batches (negative binomial
[1]_), and what is known of each batch's factor is gamma again.

References
----------
.. [1] M. Greenwood, G. U. Yule, Journal of the Royal Statistical Society 83 (1920),
   255-279; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize_scalar
from scipy.special import gammaln

from lightwatch.decisions.stock.terms import Floats

ALIKE = 1000.0
"""A shape of the gamma above which batches are alike."""

LEAST_EXPECTED = 1.0


@dataclass(frozen=True)
class Vintages:
    """What is known of batches: used and expected by model and year.

    ``shape`` is that of the gamma over batches, None where they are alike.
    """

    table: pd.DataFrame
    shape: float | None

    def draw(
        self, models: list[str], years: range, paths: int, rng: np.random.Generator
    ) -> Floats:
        """Draw the factor of each model and year, paths by models by years."""
        made = np.ones((paths, len(models), len(years)))
        if self.shape is None:
            return made
        used = np.zeros(made.shape[1:])
        due = np.zeros(made.shape[1:])
        row = self.table["model"].map({name: i for i, name in enumerate(models)})
        column = self.table["year"] - years.start
        known = (row.notna() & (column >= 0) & (column < len(years))).to_numpy()
        place = (row[known].astype(int).to_numpy(), column[known].to_numpy(int))
        np.add.at(used, place, self.table["used"].to_numpy(float)[known])
        np.add.at(due, place, self.table["expected"].to_numpy(float)[known])
        drawn = rng.standard_gamma(self.shape + used, made.shape)
        return np.asarray(drawn / (self.shape + due))


def vintages(table: pd.DataFrame) -> Vintages:
    """Find how much batches differ.

    Parameters
    ----------
    table
        ``model``, ``year``, ``used``, ``expected``.
    """
    known = table[table["expected"] >= LEAST_EXPECTED]
    used, due = known["used"].to_numpy(float), known["expected"].to_numpy(float)
    if len(known) < 5:
        return Vintages(table, None)

    def against(log_shape: float) -> float:
        shape = np.exp(log_shape)
        terms = gammaln(shape + used) - gammaln(shape) + shape * np.log(shape)
        terms -= (shape + used) * np.log(shape + due)
        return float(-terms.sum())

    found = minimize_scalar(against, bounds=(0.0, np.log(2 * ALIKE)), method="bounded")
    shape = float(np.exp(found.x))
    return Vintages(table, None if shape >= ALIKE else shape)
