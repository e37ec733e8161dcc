"""The odds on one circuit: its lights each on their own, or one fault that they share.

Each hypothesis names a set of lights that it leaves dark. Bayes' rule weighs how often
such a fault happens against how well it explains who was reported out, who was not,
and who was seen lit since. One shared fault at a time; several are not weighed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightwatch.decisions.triage.experience import REPORTED, WATCH_DAYS, Experience

SEEN_WRONGLY = 0.02
"""Chance that a light noted as lit was dark; no source."""

_YEAR_DAYS = 365.25

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Suspect:
    """A fault that a circuit's lights may share."""

    verdict: str
    section_id: str | None
    dark: Flags
    """Which of the circuit's lights it leaves dark."""
    per_year: float


@dataclass(frozen=True)
class Odds:
    """Posterior probabilities on one circuit."""

    suspects: tuple[Suspect, ...]
    posterior: NDArray[np.float64]
    """Of each suspect; what is missing to 1 is: none of them."""

    def of(self, verdict: str) -> float:
        """Probability that a suspect of this sort is at fault."""
        chosen = [suspect.verdict == verdict for suspect in self.suspects]
        return float(self.posterior[chosen].sum())

    def dark(self) -> NDArray[np.float64]:
        """Probability for each light that a shared fault leaves it dark."""
        darkened = np.array([suspect.dark for suspect in self.suspects], dtype=float)
        total: NDArray[np.float64] = self.posterior @ darkened
        return total

    def sections(self, least: float = 0.01) -> tuple[tuple[str, float], ...]:
        """Sections by probability that they are at fault, highest first."""
        found = [
            (suspect.section_id, float(chance))
            for suspect, chance in zip(self.suspects, self.posterior, strict=True)
            if suspect.section_id and chance >= least
        ]
        return tuple(sorted(found, key=lambda pair: (-pair[1], pair[0])))


def weigh(
    suspects: tuple[Suspect, ...],
    reported: Flags,
    seen_lit: Flags,
    experience: Experience,
) -> Odds:
    """Weigh the suspects of one circuit.

    Parameters
    ----------
    suspects
        At least one; ``dark`` has one entry for each of the circuit's n lights.
    reported
        Shape (n,): reported or seen out, and still open.
    seen_lit
        Shape (n,): seen lit since the first of those reports.
    experience
        Rates from the records.
    """
    open_years = experience.days_open / _YEAR_DAYS
    alone = experience.light_per_year * open_years * REPORTED
    alone = min(alone + experience.false_share * alone, 0.5)
    log_alone = np.log(np.where(reported, alone, 1 - alone))
    log_dark = np.log(np.where(reported, REPORTED, 1 - REPORTED))
    log_dark += np.log(np.where(seen_lit, SEEN_WRONGLY, 1.0))
    dark: Floats = np.array([suspect.dark for suspect in suspects], dtype=float)
    prior = np.array([s.per_year for s in suspects]) * WATCH_DAYS / _YEAR_DAYS
    gain = np.log(np.minimum(prior, 0.5)) + dark @ (log_dark - log_alone)
    top = max(float(gain.max()), 0.0)
    weight = np.exp(gain - top)
    return Odds(suspects, weight / (weight.sum() + np.exp(-top)))
