"""What is asked for: the night, crews and hours, what must or cannot be driven."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from math import inf

from lightwatch.errors import NotUnderstood

LOOK_KMH = 25.0
"""Speed while looking, at most [km/h]."""

WARM_UP_MIN = 15.0
"""From dusk until the last lamps have run up [min]; discharge lamps take up to ten, and
photocontrols differ; no source."""


@dataclass(frozen=True)
class Order:
    """One patrol as asked for; checked at birth.

    Parameters
    ----------
    night
        Date of the evening, or of the day for a day patrol.
    crews
        How many, at least one.
    hours
        Of each crew, from depot to depot [h].
    kind
        ``night``, or ``day`` for lights that burn by day.
    must_visit
        Lights or roads that must be looked at.
    closed
        Roads that cannot be driven.
    both_sides
        Roads too wide to see across: each side is looked at on its own.
    seen_within_days
        No lit street may go unseen for longer [days]; None: no such rule.
    look_kmh
        Speed while looking, at most [km/h].
    warm_up_min
        After dusk before the first street is looked at [min].
    note_s
        Time to note a light that is not right [s].
    left_hand
        Traffic keeps left.
    starts
        Local time of day at which the crews set out (HH:MM); blank: as soon as it is
        dark.
    weights
        Light to what finding it out is worth against any other: crossings, schools.
    """

    night: date
    crews: int = 1
    hours: float = 4.0
    kind: str = "night"
    must_visit: tuple[str, ...] = ()
    closed: tuple[str, ...] = ()
    both_sides: tuple[str, ...] = ()
    seen_within_days: float | None = None
    look_kmh: float = LOOK_KMH
    warm_up_min: float = WARM_UP_MIN
    note_s: float = 20.0
    left_hand: bool = False
    starts: str = ""
    weights: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.crews < 1:
            raise NotUnderstood(f"{self.crews} crews (expected at least 1)")
        if not 0 < self.hours < inf:
            raise NotUnderstood(f"{self.hours:g} hours (expected more than 0)")
        if self.kind not in ("night", "day"):
            raise NotUnderstood(f"kind {self.kind!r} (expected night or day)")
        if not 0 < self.look_kmh <= LOOK_KMH:
            raise NotUnderstood(
                f"{self.look_kmh:g} km/h while looking (expected up to {LOOK_KMH:g})"
            )
        if self.seen_within_days is not None and self.seen_within_days <= 0:
            raise NotUnderstood("seen within 0 days or less (expected more)")
        wrong = [light for light, one in self.weights.items() if not 0 <= one < 1e6]
        if wrong:
            raise NotUnderstood(f"the weight of {wrong[0]} is not 0 or more")
