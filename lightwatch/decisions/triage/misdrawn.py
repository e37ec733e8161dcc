"""Lights whose behaviour goes against their circuit: probably on a neighbouring one.

For each light, what it did in the mended faults of its own circuit and of those beside
it makes a Bayes factor of being on the other (:mod:`past_faults`). How many of the
lights that stand so are on a wrong circuit (:mod:`surroundings`) is learned from all of
their factors together: with a share w and factors L, the lights did what they did with
a likelihood of the product of 1 - w + w L, which is weighed over every w [1]_.

References
----------
.. [1] Mixture of two components with known densities: A. Gelman et al., Bayesian Data
   Analysis, chapter 22; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.experience import Experience
from lightwatch.decisions.triage.past_faults import BESIDE_HELD, HELD, PastFaults
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.surroundings import AMONG, surroundings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WRONG, LIKE = (0.02, 0.05, 0.5), (50.0, 20.0, 2.0)
"""Share of lights on a wrong circuit that is assumed where the nearest light is of its
own circuit, of another, and among another's; as good as so many seen; no source."""

MOST = 0.05
"""More lights than this share of all are not assumed to be on a wrong circuit: where
many stand among another circuit's, circuits take turns; no source."""

SURE = 0.8
"""Lights as likely as this not to be on their circuit are listed."""

_SHARES = (np.arange(60) + 0.5) / 60
_SHARES = _SHARES**3
"""Shares that are weighed, closer where they are small."""


@dataclass(frozen=True)
class Misdrawn:
    """A light that is probably on another circuit than its record says.

    Parameters
    ----------
    light_id, circuit_id, probably_on
        The light, its circuit on record, and the one that it behaves like.
    probability
        That it is not on its circuit on record.
    dark_with
        Mended faults of the other circuit with which it went dark.
    lit_without
        Mended faults of its own circuit during which it was seen lit.
    among
        It stands among lights of the other circuit.
    """

    light_id: str
    circuit_id: str
    probably_on: str
    probability: float
    dark_with: int
    lit_without: int
    among: bool = False

    def __str__(self) -> str:
        """Say it as a line of a list."""
        times = {1: "once", 2: "twice"}
        said = []
        if self.dark_with:
            count = times.get(self.dark_with, f"{self.dark_with} times")
            said.append(f"dark with it {count}")
        if self.lit_without:
            count = times.get(self.lit_without, f"{self.lit_without} times")
            said.append(f"lit {count} while its own was dead")
        if self.among:
            said.append("it stands among lights of that circuit")
        return (
            f"{self.light_id} is on circuit {self.circuit_id} on record, but probably "
            f"on {self.probably_on}; check: {', '.join(said)}"
        )


def history(signs: Signs, known: Experience) -> pd.DataFrame:
    """Return how lights behaved in the faults of their circuit and those beside it.

    Returns
    -------
    pandas.DataFrame
        ``light`` and ``circuit`` (numbers of the grid), ``stands`` and ``share`` (see
        :func:`surroundings.surroundings`), ``light_id``, ``on`` (circuit on record),
        ``circuit_id`` (the other), ``dark_with`` (faults of the other with which it
        went dark), ``lit_without`` (faults of its own during which it was seen lit),
        ``log_factor`` (of the other circuit against its own).
    """
    past, grid = PastFaults(signs, known), signs.grid
    beside = surroundings(grid).reset_index(drop=True)
    own = past.faults[past.faults["light"].isin(beside["light"])]
    others = beside[["light", "other"]].reset_index(names="pair").merge(
        past.faults.rename(columns={"light": "other"}), on="other"
    )  # fmt: skip
    did = past.did(others, BESIDE_HELD, own=False)
    dark_with = (did["told"] | (did["noted"] > 0)).to_numpy(float)
    of_pair = others["pair"].to_numpy(np.int64)
    alone = past.did(own, HELD, own=True)
    seen_lit = (alone["lit"] > 0) & ~alone["told"] & (alone["noted"] == 0)
    of_light, lights = own["light"].to_numpy(np.int64), len(grid.lights)

    at = beside["light"].to_numpy(np.int64)

    def by_pair(values: Floats) -> Floats:
        return np.bincount(of_pair, values, len(beside)).astype(float)

    def by_light(values: Floats) -> Floats:
        found: Floats = np.bincount(of_light, values, lights).astype(float)[at]
        return found

    log_factor = by_pair(did["log_ratio"].to_numpy())
    return beside.drop(columns="other").assign(
        light_id=grid.light_ids[at],
        on=grid.circuits[grid.circuit[at]],
        circuit_id=grid.circuits[beside["circuit"]],
        dark_with=by_pair(dark_with).astype(int),
        lit_without=by_light(seen_lit.to_numpy(float)).astype(int),
        log_factor=log_factor - by_light(alone["log_ratio"].to_numpy()),
    )


def chances(factor: Floats, share: float, like: float) -> Floats:
    """Return how likely each light is to be on a wrong circuit.

    Parameters
    ----------
    factor
        Shape (n,): Bayes factors of lights that stand alike.
    share, like
        The share of them that is assumed, as good as so many seen (beta distribution).
    """
    log = np.log(np.gradient(_SHARES)) + (share * like - 1) * np.log(_SHARES)
    log += ((1 - share) * like - 1) * np.log1p(-_SHARES)
    each = 1 - _SHARES[:, None] + _SHARES[:, None] * factor
    log += np.log(each).sum(axis=1)
    weight = np.exp(log - log.max())
    found: Floats = weight / weight.sum() @ (_SHARES[:, None] * factor / each)
    return found


def doubted(signs: Signs, known: Experience) -> pd.DataFrame:
    """Return what ``history`` does, with ``chance``: that the light is on the other."""
    found = history(signs, known)
    part = found["share"].to_numpy() * np.exp(np.minimum(found["log_factor"], 50.0))
    light, number = np.unique(found["light"], return_inverse=True)
    factor = np.bincount(number, part, len(light))
    stands = np.zeros(len(light), dtype=np.int64)
    stands[number] = found["stands"]
    chance = np.zeros(len(light))
    for kind, (wrong, like) in enumerate(zip(WRONG, LIKE, strict=True)):
        some = stands == kind
        most = MOST * len(signs.grid.lights) / max(int(some.sum()), 1)
        chance[some] = chances(factor[some], min(wrong, most), like)
    return found.assign(chance=chance[number] * part / factor[number])


def misdrawn(signs: Signs, known: Experience) -> tuple[Misdrawn, ...]:
    """Return lights that are probably on another circuit, the surest first.

    Parameters
    ----------
    signs
        All that was observed, as known on a day.
    known
        Rates from the records.
    """
    found = doubted(signs, known)
    by = found.groupby("light")["chance"]
    found = found.assign(total=by.transform("sum"), most=by.transform("max"))
    sure = found[(found["total"] >= SURE) & (found["chance"] == found["most"])]
    sure = sure.drop_duplicates("light")
    named = [
        Misdrawn(*one)
        for one in zip(
            sure["light_id"], sure["on"], sure["circuit_id"], sure["total"],
            sure["dark_with"], sure["lit_without"], sure["stands"] == AMONG,
            strict=True,
        )
    ]  # fmt: skip
    return tuple(sorted(named, key=lambda one: (-one.probability, one.light_id)))
