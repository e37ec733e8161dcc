"""An open trouble and what is believed of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

VERDICTS = {
    "supply_fault": "fault on the feed",
    "group_photocontrol": "group photocontrol",
    "single_light": "a light on its own",
    "no_fault": "no fault, or another light",
    "area_outage": "area outage",
}
"""Verdict to what a dispatcher would call it."""

SHARED = ("supply_fault", "group_photocontrol")
"""Verdicts of a fault that lights of one circuit share."""

CERTAIN = 0.9
"""Of two faults at the cabinet, one as likely as this is told alone."""


def at_cabinet(probabilities: Mapping[str, float], supply: float) -> float | None:
    """Return the probability of the group control or the supply, if told as one.

    Both darken the whole circuit, and until something at the cabinet is tested only
    their rates tell them apart. They are told as one where together they are likelier
    than all else, or than not where a light on its own is likelier than either, and
    neither is almost certainly it.

    Parameters
    ----------
    probabilities
        By verdict.
    supply
        Of the main supply or main fuse, as part of ``supply_fault``.
    """
    group = probabilities.get("group_photocontrol", 0.0)
    both = group + supply
    rest = {**probabilities, "group_photocontrol": 0.0}
    rest["supply_fault"] = rest.get("supply_fault", 0.0) - supply
    likeliest = max(probabilities, key=lambda name: probabilities[name])
    if both <= (max(rest.values()) if likeliest in SHARED else 0.5):
        return None
    return None if max(group, supply) >= CERTAIN * both else both


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
    circuit was tested of late; ``supply``: probability that it is the circuit's main
    supply or main fuse, which ``supply_fault`` holds with the sections; ``dark``:
    probability of each light of its circuit to be dark by a fault of the feed.
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
    supply: float | None = None
    dark: Mapping[str, float] = field(default_factory=dict)

    @property
    def verdict(self) -> str:
        """The likeliest of the verdicts."""
        return max(self.probabilities, key=lambda name: self.probabilities[name])

    @property
    def shown(self) -> str:
        """The verdict that screens draw: at the cabinet, the likelier of the two."""
        if self.at_cabinet is None:
            return self.verdict
        return max(SHARED, key=lambda name: self.probabilities.get(name, 0.0))

    @property
    def probability(self) -> float:
        """Probability of the verdict."""
        return self.probabilities[self.verdict]

    @property
    def at_cabinet(self) -> float | None:
        """Probability that it is the group control or the supply, if told as one."""
        return at_cabinet(self.probabilities, self.supply or 0.0)

    @property
    def at_source(self) -> float | None:
        """Probability that it is at the source; None where that was not judged."""
        if self.supply is None:
            return None
        return self.supply + self.probabilities.get("group_photocontrol", 0.0)
