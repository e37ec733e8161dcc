"""A patrol as planned: who drives which street when, and what it should find."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

from lightwatch.decisions.patrol.order import Order
from lightwatch.nights import SECOND
from lightwatch.nights.darkness import Darkness

Point = tuple[float, float]


@dataclass(frozen=True)
class Leg:
    """One street driven, or a straight way off the network.

    Parameters
    ----------
    road_id
        The road; None off the network.
    name
        What people call it.
    line
        Where it runs, in the direction driven: longitude, latitude [degrees].
    starts_at
        When it is begun [instant].
    seconds, length_m
        Time and way [s, m].
    looking
        Whether its lights are looked at.
    found
        Expected finds.
    lights
        Lights to look at.
    """

    road_id: str | None
    name: str
    line: tuple[Point, ...]
    starts_at: int
    seconds: float
    length_m: float
    looking: bool
    found: float = 0.0
    lights: tuple[str, ...] = ()


@dataclass(frozen=True)
class CrewPlan:
    """What one crew drives, from depot to depot."""

    legs: tuple[Leg, ...]

    @property
    def km(self) -> float:
        """Way driven [km]."""
        return sum(leg.length_m for leg in self.legs) / 1000.0

    @property
    def hours(self) -> float:
        """Time taken [h]."""
        if not self.legs:
            return 0.0
        last = self.legs[-1]
        whole = last.starts_at - self.legs[0].starts_at + last.seconds * SECOND
        return whole / (3600 * SECOND)

    @property
    def ends_at(self) -> int | None:
        """When it is back at the depot [instant]; None if it stays there."""
        if not self.legs:
            return None
        last = self.legs[-1]
        return last.starts_at + round(last.seconds * SECOND)

    @property
    def found(self) -> float:
        """Expected finds."""
        return sum(leg.found for leg in self.legs)


@dataclass(frozen=True)
class PatrolPlan:
    """One night's, or day's, patrol.

    Parameters
    ----------
    order
        What was asked for.
    dark
        When it is dark (by day: light).
    depot
        Where crews start and end: longitude, latitude [degrees].
    crews
        What each drives.
    reasons
        Light to why it is worth a look.
    notes
        What a person should know about this plan.
    rotation_cost
        Finds given up so that no street goes unseen for too long; None without that
        rule.
    """

    order: Order
    dark: Darkness
    depot: Point
    crews: tuple[CrewPlan, ...]
    reasons: dict[str, str] = field(repr=False)
    notes: tuple[str, ...]
    rotation_cost: float | None = None

    @cached_property
    def found(self) -> float:
        """Expected finds of all crews."""
        return sum(crew.found for crew in self.crews)

    def roads_looked_at(self, crews: Sequence[int] | None = None) -> tuple[str, ...]:
        """Return the roads that crews look at, in order of being driven."""
        chosen = range(len(self.crews)) if crews is None else crews
        names = [
            leg.road_id
            for i in chosen
            for leg in self.crews[i].legs
            if leg.looking and leg.road_id
        ]
        return tuple(dict.fromkeys(names))
