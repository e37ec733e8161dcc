"""Plan a patrol: when it is dark, what each street is worth, who drives which when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lightwatch.decisions.patrol.clusters import clusters
from lightwatch.decisions.patrol.duties import ASKED, UNSEEN, check_names, duties
from lightwatch.decisions.patrol.improve import Tell, improve
from lightwatch.decisions.patrol.insertion import balanced, insert_all
from lightwatch.decisions.patrol.looking import Streets, parts_of_lights, streets
from lightwatch.decisions.patrol.network import Network, Point, metres, network
from lightwatch.decisions.patrol.order import Order
from lightwatch.decisions.patrol.plan import CrewPlan, PatrolPlan
from lightwatch.decisions.patrol.problem import (
    Ints,
    Problem,
    Routes,
    problem_of,
    promising,
)
from lightwatch.decisions.patrol.schedule import Chosen, crew_plans, off_network_s
from lightwatch.decisions.patrol.ways import Ways
from lightwatch.decisions.patrol.window import Window, window
from lightwatch.decisions.patrol.worth import worth
from lightwatch.detection import detection
from lightwatch.lives import Lives
from lightwatch.nights import DAY
from lightwatch.nights.darkness import Place
from lightwatch.register import Register

if TYPE_CHECKING:
    from lightwatch.decisions.triage.outage import Outage

LEAST, MOST, PER_CREW_HOUR = 1000, 2500, 170
"""How many of the most promising streets are considered: so many for each hour of each
crew, but at least and at most so many. A crew looks at about a hundred in an hour."""

FAR_M = 100.0
"""A depot farther than this from the network is told of [m]."""


@dataclass(frozen=True)
class _Ground:
    """The network as driven tonight, the depot, and the streets with lights on it."""

    net: Network
    streets: Streets
    depot: Point
    home: int
    notes: tuple[str, ...]


def depot_of(register: Register) -> tuple[Point, str]:
    """Return where crews start and end [degrees], and what to say of it."""
    depot = register.known.place.get("depot") or {}
    lights = register.standing
    try:
        return (float(depot["longitude"]), float(depot["latitude"])), ""
    except (KeyError, TypeError, ValueError):
        middle = lights[["longitude", "latitude"]].median().to_numpy(float)
        said = "No depot is on record: crews start and end in the middle of the lights."
        return (float(middle[0]), float(middle[1])), said


def _laid_out(
    register: Register, order: Order, depot: Point
) -> tuple[Network, pd.Series[int], list[str]]:
    """Return the network and the part of each light, from roads or, without, lights."""
    lights, roads = register.standing, register.known.roads
    if len(roads):
        net = network(roads, frozenset(order.closed))
        return net, parts_of_lights(net, lights), []
    net, parts = clusters(lights, depot)
    said = (
        "There is no roads file: lights are visited by clusters, along straight legs; "
        "times are rough, and one-way streets and barriers are not known."
    )
    return net, parts, [said]


def _ground(
    register: Register,
    order: Order,
    depot: Point,
    value: pd.DataFrame,
    must: pd.Series[int],
) -> _Ground:
    net, part, notes = _laid_out(register, order, depot)
    main = np.flatnonzero(net.in_main())
    nearest, away_m = _nearest(net, main, depot)
    if away_m > FAR_M:
        notes.append(
            f"The depot lies {away_m:,.0f} m off the network: crews join and leave it "
            "at the nearest junction, along a straight leg."
        )
    found = streets(net, register.standing, part, value, order, must)
    reach = net.together(nearest)[found.tasks.part]
    shut = net.closed[found.tasks.part]
    notes += _left_out(net, found, reach, shut)
    return _Ground(net, _kept(found, np.flatnonzero(reach)), depot, nearest,
                   tuple(notes))  # fmt: skip


def _nearest(net: Network, among: Ints, place: Point) -> tuple[int, float]:
    far = metres(net.places[among], place)
    best = int(np.argmin(far))
    return int(among[best]), float(far[best])


def _left_out(
    net: Network, found: Streets, reach: np.ndarray, shut: np.ndarray
) -> list[str]:
    """Say which lights cannot be looked at tonight, and why."""
    counts = found.lights.value_counts().reindex(np.arange(len(reach)), fill_value=0)
    said = []
    beyond = int(counts[~reach & ~shut].sum())
    if beyond:
        said.append(
            f"{beyond:,} lights stand on streets that cannot be driven to from the "
            "depot and back (the network is in parts): not planned."
        )
    if shut.any():
        said.append(f"{int(counts[shut].sum()):,} lights stand on closed roads.")
    if found.lost:
        said.append(
            f"{len(found.lost):,} lights stand on no road (such as {found.lost[0]}): "
            "not planned."
        )
    lost = np.flatnonzero((found.tasks.must == ASKED) & ~reach)
    if len(lost):
        names = ", ".join(dict.fromkeys(net.road_id[found.tasks.part[lost]]))
        said.append(f"Asked for, but cannot be reached tonight: {names or 'lights'}.")
    return said


def _kept(found: Streets, which: Ints) -> Streets:
    """Return only some of the streets."""
    position = np.full(len(found.tasks.part), -1)
    position[which] = np.arange(len(which))
    lights = pd.Series(position[found.lights.to_numpy()], index=found.lights.index)
    return Streets(
        found.tasks.chosen(which), found.found[which], lights[lights >= 0], found.lost
    )


def _choose(
    ground: _Ground, order: Order, budget_s: float, seconds: float, tell: Tell
) -> tuple[Chosen, list[str], float | None]:
    """Choose streets and their order; say what did not fit, and what duties cost."""
    net, tasks = ground.net, ground.streets.tasks
    place = (float(net.places[ground.home, 0]), float(net.places[ground.home, 1]))
    budget = budget_s - 2 * off_network_s(ground.depot, place)
    if budget <= 0 or not len(tasks.part):
        nothing = np.zeros(0, dtype=np.int64)
        crews = (nothing,) * order.crews, (nothing.astype(bool),) * order.crews
        return Chosen(*crews), ["There is no time, or no street, to look at."], None
    away = net.times(np.array([ground.home]), np.arange(len(net.places)))[0]
    wanted = round(PER_CREW_HOUR * order.crews * budget / 3600)
    most = min(max(wanted, LEAST), MOST)
    which = promising(net, tasks, away.astype(float), budget, most)
    problem, task, ahead = problem_of(
        net, tasks.chosen(which), ground.home, budget, order.crews
    )
    routes = insert_all(problem)
    tell(0.0, problem.gained(routes))
    notes, cost = _duties_told(problem, routes)
    if seconds > 0:
        driven = [int(problem.task[h]) for route in routes for h in route]
        fits = np.isin(np.arange(len(problem.must)), driven)
        within = replace(problem, must=np.where(fits, problem.must, 0))
        ways = Ways.of(net, tasks.chosen(which), task, ahead, ground.home)
        routes = improve(within, routes, ways, seconds=seconds, tell=tell)
    routes = balanced(problem, routes)
    picked = [np.array(route, dtype=np.int64) - 1 for route in routes]
    return (
        Chosen(
            tuple(which[task[one]] for one in picked),
            tuple(ahead[one] for one in picked),
        ),
        notes,
        cost,
    )


def _duties_told(problem: Problem, routes: Routes) -> tuple[list[str], float | None]:
    """Say what had to be driven and did not fit, and what it cost in finds."""
    driven = {int(problem.task[h]) for route in routes for h in route}
    left = {
        duty: sum(
            1 for i in np.flatnonzero(problem.must == duty) if int(i) not in driven
        )
        for duty in (ASKED, UNSEEN)
    }
    notes = []
    if left[ASKED]:
        notes.append(f"Streets asked for that do not fit into the time: {left[ASKED]}.")
    due = int((problem.must == UNSEEN).sum())
    if left[UNSEEN]:
        nights = int(np.ceil(due / max(due - left[UNSEEN], 1)))
        notes.append(
            f"{left[UNSEEN]} of {due} streets unseen for too long do not fit into one "
            f"patrol: about {nights} like this one are needed."
        )
    if not due:
        return notes, None
    freed = replace(problem, must=np.where(problem.must == UNSEEN, 0, problem.must))
    cost = freed.gained(insert_all(freed)) - problem.gained(routes)
    return notes, max(cost, 0.0)


def plan_patrol(
    lives: Lives,
    order: Order,
    outages: Sequence[Outage] = (),
    *,
    seconds: float = 20.0,
    tell: Tell = lambda gone, found: None,
) -> PatrolPlan:
    """Plan the patrol that finds the most lights out that nobody has reported.

    Parameters
    ----------
    lives
        Life data, and the register behind them.
    order
        What is asked for.
    outages
        What is open: lights reported are no find, suspected feed faults are worth a
        look.
    seconds
        How long to improve the plan at once [s]; 0: not at all.
    tell
        Called with seconds gone and expected finds whenever the plan is better.

    Raises
    ------
    UnknownAsset
        The order names a road or light that is not on record.

    Notes
    -----
    Worth is expected finds; it is additive even where lights go out together, each
    street being looked at once. The choice of streets is a team orienteering problem
    on arcs (Archetti, Corberan, Plana, Sanchis and Speranza, EJOR 245, 2015; abstract
    seen), solved here by insertion and then by iterated local search.
    """
    register = lives.register
    check_names(register, order)
    depot, said = depot_of(register)
    place = Place(depot[0], depot[1], register.known.clock)
    open_for = window(place, order)
    if open_for.begins is None or open_for.dark.begins is None:
        return PatrolPlan(order, open_for.dark, depot, (), {}, open_for.notes)
    at_day = open_for.begins / DAY
    value, reasons = worth(
        lives, detection(register), outages, at_day, kind=order.kind,
        weights=order.weights,
    )  # fmt: skip
    ground = _ground(register, order, depot, value, duties(register, order, at_day))
    chosen, notes, cost = _choose(ground, order, open_for.budget_s, seconds, tell)
    crews = _scheduled(ground, chosen, open_for)
    told = [*open_for.notes, *([said] if said else []), *ground.notes, *notes]
    return PatrolPlan(order, open_for.dark, depot, crews, reasons, tuple(told), cost)


def _scheduled(
    ground: _Ground, chosen: Chosen, open_for: Window
) -> tuple[CrewPlan, ...]:
    return crew_plans(
        ground.net, ground.streets, chosen, ground.depot, ground.home, open_for.set_out
    )
