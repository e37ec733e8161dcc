"""From a choice of streets to legs: the way between them, and when each is begun."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lightwatch.decisions.patrol.looking import Streets
from lightwatch.decisions.patrol.network import (
    OFF_NETWORK_KMH,
    Ints,
    Network,
    Point,
    metres,
)
from lightwatch.decisions.patrol.plan import CrewPlan, Leg
from lightwatch.decisions.patrol.problem import Flags
from lightwatch.nights import SECOND


@dataclass(frozen=True)
class Chosen:
    """Streets to look at, in order, for each crew.

    Parameters
    ----------
    tasks
        Of each crew: tasks of the streets.
    ahead
        Of each crew: whether each is driven from tail to head.
    """

    tasks: tuple[Ints, ...]
    ahead: tuple[Flags, ...]


def off_network_s(depot: Point, place: Point) -> float:
    """Time along the straight leg between the depot and the network [s]."""
    return float(metres(depot, place)) / (OFF_NETWORK_KMH / 3.6)


def _link(here: Point, there: Point) -> list[Leg]:
    if here == there:
        return []
    length = float(metres(here, there))
    seconds = off_network_s(here, there)
    return [Leg(None, "off the road", (here, there), 0, seconds, length, False)]


def _drive(net: Network, part: int, ahead: bool) -> Leg:
    line = tuple(net.lines[part])
    road = str(net.road_id[part])
    return Leg(
        road or None,
        net.names.get(road, "") or "",
        line if ahead else line[::-1],
        0,
        float(net.seconds[part]),
        float(net.length_m[part]),
        False,
    )


class _Ways:
    """The quickest way between junctions, from a set of them."""

    def __init__(self, net: Network, sources: Ints) -> None:
        self.net = net
        unique, self.before = net.ways(sources)
        self.row = {int(one): i for i, one in enumerate(unique)}

    def legs(self, source: int, target: int) -> list[Leg]:
        """Return the streets from one junction to another."""
        found: list[Leg] = []
        row = self.before[self.row[source]]
        while target != source:
            before = int(row[target])
            part = self.net.fastest[before, target]
            found.append(_drive(self.net, part, self.net.tail[part] == before))
            target = before
        return found[::-1]


def _look(net: Network, streets: Streets, task: int, ahead: bool) -> Leg:
    tasks = streets.tasks
    leg = _drive(net, int(tasks.part[task]), ahead)
    lights = streets.lights.index[streets.lights.to_numpy() == task]
    return replace(
        leg,
        seconds=float(tasks.look_s[task]),
        looking=True,
        found=float(streets.found[task]),
        lights=tuple(str(one) for one in lights),
    )


def _route(
    net: Network, streets: Streets, depot: Point, home: int, tasks: Ints, ahead: Flags
) -> list[Leg]:
    part = streets.tasks.part[tasks]
    starts = np.where(ahead, net.tail[part], net.head[part])
    ends = np.where(ahead, net.head[part], net.tail[part])
    ways = _Ways(net, np.append(home, ends))
    place = tuple(float(x) for x in net.places[home])
    gate: Point = (place[0], place[1])
    legs, at = _link(depot, gate), home
    for task, way, start, end in zip(tasks, ahead, starts, ends, strict=True):
        legs += ways.legs(at, int(start))
        legs.append(_look(net, streets, int(task), bool(way)))
        at = int(end)
    return [*legs, *ways.legs(at, home), *_link(gate, depot)]


def crew_plans(
    net: Network,
    streets: Streets,
    chosen: Chosen,
    depot: Point,
    home: int,
    begins: Callable[[float], int],
) -> tuple[CrewPlan, ...]:
    """Return what each crew drives, street by street, with times.

    Parameters
    ----------
    net, streets
        The network, and its streets with lights.
    chosen
        What each crew looks at.
    depot, home
        Where it stands; the junction nearest to it.
    begins
        From the time to the first street looked at [s] to when the crew sets out
        [instant].
    """
    crews = []
    for tasks, ahead in zip(chosen.tasks, chosen.ahead, strict=True):
        legs = _route(net, streets, depot, home, tasks, ahead) if len(tasks) else []
        first = next((i for i, leg in enumerate(legs) if leg.looking), 0)
        at = float(begins(sum(leg.seconds for leg in legs[:first])))
        timed = []
        for leg in legs:
            timed.append(replace(leg, starts_at=round(at)))
            at += leg.seconds * SECOND
        crews.append(CrewPlan(tuple(timed)))
    return tuple(crews)
