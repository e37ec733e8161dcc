"""By which clock a kind ages: the calendar, or the hours for which it is lit.

In winter a light burns nearly twice as long as in summer. What ages by burning fails
the oftener then, at the same weather; what ages by the calendar does not. Both hazards
have as many terms, so their likelihoods say which of them the failures follow.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from lightwatch.lives.burning import BURNS, HoursLit
from lightwatch.rates.poisson import exact_rate

DECIDED = 3.0
"""Log of the ratio of likelihoods that decides: about twenty to one. A kind that does
not decide ages by the calendar."""

HOURS_A_RATE = 1e6


@dataclass(frozen=True)
class Clock:
    """By what a kind ages.

    Parameters
    ----------
    evidence
        Log likelihood of its failures by hours lit, less that by the calendar.
    """

    evidence: float

    @property
    def is_burning(self) -> bool:
        """Whether hours lit are its exposure."""
        return self.evidence > DECIDED

    @property
    def name(self) -> str:
        """``burning``, ``calendar`` or ``undecided``."""
        if abs(self.evidence) <= DECIDED:
            return "undecided"
        return "burning" if self.is_burning else "calendar"


@dataclass(frozen=True)
class LitLife:
    """One kind and type under watch, by hours lit.

    Parameters
    ----------
    kind, type
        Which.
    hours
        For which all of them were lit under watch [h].
    failures
        Of them.
    per_million, low, high
        Failures per million hours lit, with exact Poisson limits at 95 %.
    clock
        By what the kind ages; None where failures are too few to ask.
    """

    kind: str
    type: str
    hours: float
    failures: int
    per_million: float
    low: float
    high: float
    clock: Clock | None


def lit_lives(
    frame: pd.DataFrame, lit: HoursLit, clocks: dict[str, Clock]
) -> tuple[LitLife, ...]:
    """Return failures against hours lit, by kind and type of what burns.

    Parameters
    ----------
    frame
        Of lives.
    lit
        Hours lit at the place.
    clocks
        By kind, as far as they could be told.
    """
    found = []
    burns = frame.loc[
        frame["kind"].isin(BURNS), ["kind", "type", "start", "end", "failed"]
    ]
    for (kind, type_), some in burns.groupby(["kind", "type"], sort=True):
        hours = lit.hours(some["start"].to_numpy(), some["end"].to_numpy()).sum()
        if not hours > 0:
            continue
        failures = int(some["failed"].sum())
        rate = exact_rate(failures, float(hours) / HOURS_A_RATE)
        limits = rate.per_year, rate.low_per_year, rate.high_per_year
        clock = clocks.get(str(kind))
        found.append(
            LitLife(str(kind), str(type_), float(hours), failures, *limits, clock)
        )
    return tuple(found)
