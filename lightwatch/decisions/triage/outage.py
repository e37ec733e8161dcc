"""An open trouble and what is believed of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

VERDICTS = {
    "supply_fault": "fault on the feed",
    "group_photocontrol": "group photocontrol",
    "single_light": "a light on its own",
    "no_fault": "no fault, or another light",
    "area_outage": "area outage",
}
"""Verdict to what a dispatcher would call it."""


@dataclass(frozen=True)
class NextTest:
    """Where to test first, and why there."""

    where: str
    why: str
    section_id: str | None = None
    light_id: str | None = None


@dataclass(frozen=True)
class Outage:
    """One suspected shared fault, or one light in trouble on its own.

    ``probabilities`` covers every verdict and sums to 1; ``verdict`` is its likeliest.
    ``sections`` and ``components`` hold (identifier, probability), highest first.
    ``seen_lit``: lights of the circuit that a patrol has passed since and not noted;
    ``dark_since``: the likeliest night on which a shared fault began; ``inferred``:
    the order of the lights is read off the map; ``checks_needed``: tests that it takes
    on average to name the section; ``to_open``: the section, or the source, that needs
    no further test before it is opened; ``live_readings``: how often its far end would
    have to be read live for the likeliest section to be cleared; ``searched``: its
    circuit was tested of late.
    """

    lights: tuple[str, ...]
    reported: tuple[str, ...]
    circuit_id: str | None
    underground: bool | None
    symptom: str
    probabilities: dict[str, float]
    sections: tuple[tuple[str, float], ...]
    components: tuple[tuple[str, float], ...]
    test_first: NextTest | None
    since: datetime
    why: tuple[str, ...]
    danger: tuple[str, ...]
    seen_lit: tuple[str, ...] = ()
    dark_since: datetime | None = None
    inferred: bool = False
    checks_needed: float | None = None
    to_open: str | None = None
    live_readings: int = 1
    searched: bool = False
    over: bool = False

    @property
    def verdict(self) -> str:
        """The likeliest of the verdicts."""
        return max(self.probabilities, key=lambda name: self.probabilities[name])

    @property
    def probability(self) -> float:
        """Probability of the verdict."""
        return self.probabilities[self.verdict]
