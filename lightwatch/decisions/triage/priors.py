"""What is assumed of failures and reports until an office's own records tell.

Each rate begins at a published or usual one that weighs as much as a few events, and
gives way as records come: with ``a`` events at a rate ``m`` beforehand, ``n`` events in
a time ``t`` make it (n + a) / (t + a / m) [1]_. With one event or less beforehand the
95 % limits of a rate span a factor of a hundred: the assumption is wide.

References
----------
.. [1] Gamma-Poisson and beta-binomial conjugates: A. Gelman et al., Bayesian Data
   Analysis, chapter 2; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Amount = TypeVar("Amount", float, NDArray[np.float64])

NO_SOURCE = "no source"

SODIUM = "12.5 repairs a year per 100 lights, mostly sodium: Mesa AZ, performance page"
REQUESTS = "5.2 requests a year per 100 lights: Canberra 2015-16, Hansard"
LED = (
    "between 0.3 % a year (a pilot of 100 in Prague over 10 years) and 31 % in 3 to 5 "
    "years (one bad delivery of 65,000)"
)
LIFE = "8 to 12 years of an electronic one, from memory"
BURIED = (
    "no source for street lighting; medium-voltage cable fails 0.02 times a year a km, "
    "median of 19 utilities (EPRI), low-voltage mains some 0.1, from memory"
)
OVERNIGHT = (
    "one or two interruptions a year, one in a hundred of them overnight, from memory"
)
HEARD = (
    "between 0.005 (7 % out at an inspection, Lawrence KS 2009) and 0.12 (a third told "
    "of before the weekly inspection, Dundee 2010/11)"
)


@dataclass(frozen=True)
class Prior:
    """A rate or share before anything is on record.

    Parameters
    ----------
    mean
        What it is then, in the unit of the rate.
    events
        How many events that weighs as much as.
    source
        Whence it is.
    """

    mean: float
    events: float = 1.0
    source: str = NO_SOURCE

    def drawn(self, events: Amount, trials: Amount) -> Amount:
        """Return the rate after some events in so many trials, years or nights."""
        return (events + self.events) / (trials + self.events / self.mean)


@dataclass(frozen=True)
class Basis:
    """What a rate stands on: how many records, and what was assumed beforehand."""

    records: int
    prior: Prior

    def __str__(self) -> str:
        """Say it, for a table of rates."""
        if self.records:
            noun = "record" if self.records == 1 else "records"
            return f"learned from {self.records:,} {noun}"
        return f"assumed ({self.prior.source})"


LIGHTS = {
    "led": Prior(0.015, source=LED),
    "hps": Prior(0.125, source=SODIUM),
    "": Prior(0.05, source=REQUESTS),
}
"""Failures of a whole light of which no parts are on record, by technology [1/year];
discharge lamps count as sodium."""

DISCHARGE = ("hps", "mh", "mv", "lps", "fluorescent", "induction", "incandescent")

PARTS = {
    "luminaire": LIGHTS[""],
    "lamp": LIGHTS["hps"],
    "ballast": Prior(0.02),
    "ignitor": Prior(0.02),
    "driver": Prior(0.01, source=LED),
    "led_module": Prior(0.003),
    "photocontrol": Prior(0.04, source=LIFE),
    "fuse": Prior(0.005),
    "wiring": Prior(0.005),
    "pole": Prior(0.002),
    "cable": Prior(0.1, source=BURIED),
    "line": Prior(0.05, source="from memory, low-voltage lines"),
}
"""Failures by kind of part [1/year], of sections [1/(km year)]."""

SUPPLY = Prior(0.02, 0.5, OVERNIGHT)
"""Of the main supply or main fuse of a circuit, for a night or more [1/year]."""

GROUP = Prior(0.08, 0.5)
"""Of a group photocontrol, contactor included [1/year]."""

DAMAGE = Prior(0.02, 0.5)
"""Of theft and the like on a section [1/(km year)]."""

MISHAPS = Prior(0.005, 0.5)
"""Of a light going dark by what is no part of it [1/year]."""

CUSTOMERS = Prior(0.05, 0.5)
"""Of a light going dark by the customer that feeds it [1/year]."""

FALSE = Prior(0.1, 0.5)
"""Of reports, those of a light where nothing is wrong."""

NOTED_WRONGLY = Prior(1e-3, 0.5)
"""Notes of a patrol where nothing is wrong, by light passed."""

WRONG = Prior(0.05, 0.5)
"""Share of reports of a symptom where a crew finds nothing wrong."""

MISPLACED = Prior(0.05, 0.5)
"""Share of reports that name another light than is meant."""

CROWD = Prior(0.7, 10.0)
"""Reports of a light dark with others, against one dark alone."""

SLIP = Prior(0.02, 1.0)
"""Share of repairs that leave the light dark."""

REPORTED_PER_DAY = Prior(0.05, 0.5, HEARD)
"""Reports of a light that is dark [1/day]."""

NOTED = Prior(0.9, 0.5)
"""Chance that a passing night patrol notes a light that is dark."""

SAME_CALLER = 0.25
"""Chance that a further report only repeats the first, right or wrong; no source."""

FURTHER = 5
"""So many further nights with reports of a light count at most; no source."""

SHOWN = {
    "out": 0.6, "dayburning": 0.12, "cycling": 0.08, "flickering": 0.06,
    "other": 0.05, "group_out": 0.03, "dim": 0.03, "knocked_down": 0.03,
}  # fmt: skip
"""How troubles are reported, whatever the cause; no source."""

SHOWN_BY = {
    "photocontrol": {"dayburning": 0.6, "out": 0.25, "cycling": 0.1, "other": 0.05},
}
"""The same by cause, where it differs: photocontrols are built to fail with the lights
on (trade convention); the shares have no source."""
SHOWN_BY["group"] = {
    "dayburning": 0.6, "group_out": 0.2, "out": 0.15, "other": 0.05,
}  # fmt: skip


def of_light(technology: str) -> Prior:
    """Return what is assumed of a light of which no parts are on record."""
    return LIGHTS.get("hps" if technology in DISCHARGE else technology, LIGHTS[""])


def of_part(kind: str, type_: str) -> Prior:
    """Return what is assumed of a kind and type of part."""
    if kind == "luminaire" and type_ not in ("", "unknown"):
        return of_light(type_)
    return PARTS.get(kind, LIGHTS[""])
