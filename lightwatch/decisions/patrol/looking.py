"""Which street each light stands on, and the streets as tasks of a patrol."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.patrol.network import Network
from lightwatch.decisions.patrol.order import Order
from lightwatch.decisions.patrol.problem import Floats, Ints, Tasks

NEAR_M = 75.0
"""A light on no road on record belongs to the nearest one within this [m]."""

_METRES_PER_DEGREE = 111_195.0


@dataclass(frozen=True)
class Streets:
    """Tasks, and the lights of each.

    Parameters
    ----------
    tasks
        Of the patrol, those without lights left out.
    found
        Expected finds of each task.
    lights
        Light to its task.
    lost
        Lights that stand on no road.
    """

    tasks: Tasks
    found: Floats
    lights: pd.Series[int]
    lost: tuple[str, ...]


def _flat(net: Network) -> tuple[list[object], float]:
    """Return the parts as lines on a plane in metres, and the cosine used."""
    from shapely import LineString

    cosine = float(np.cos(np.radians(net.places[:, 1].mean())))
    scale = np.array([_METRES_PER_DEGREE * cosine, _METRES_PER_DEGREE])
    return [LineString(np.array(line) * scale) for line in net.lines], cosine


def parts_of_lights(net: Network, lights: pd.DataFrame) -> pd.Series[int]:
    """Return the street part that each light stands on, -1 for none.

    It is on the road that its row names; of several parts of that road on the nearest;
    where the row names none, on the nearest road within 75 m.
    """
    import shapely

    own = pd.Series(np.arange(len(net.road_id)), index=net.road_id)
    count = own.groupby(level=0).size()
    single = own[own.index.map(count) == 1]
    found = lights["road_id"].map(single).fillna(-1).astype(int)
    found.index = pd.Index(lights["light_id"])
    rest = np.flatnonzero(found.to_numpy() < 0)
    if not len(rest):
        return found
    lines, cosine = _flat(net)
    scale = np.array([_METRES_PER_DEGREE * cosine, _METRES_PER_DEGREE])
    at = shapely.points(lights[["longitude", "latitude"]].to_numpy(float)[rest] * scale)
    names = lights["road_id"].to_numpy()[rest]
    tree = shapely.STRtree(lines)
    light, part = tree.query(at, predicate="dwithin", distance=10 * NEAR_M)
    if not len(light):
        return found
    pairs = pd.DataFrame({"light": light, "part": part})
    pairs["far"] = shapely.distance(at[light], np.array(lines, dtype=object)[part])
    pairs["named"] = net.road_id[part] == names[light]
    pairs = pairs[pairs["named"] | (pairs["far"] <= NEAR_M)]
    pairs = pairs.sort_values(["light", "named", "far"], ascending=[True, False, True])
    best = pairs.groupby("light")["part"].first()
    found.iloc[rest[best.index.to_numpy()]] = best.to_numpy()
    return found


def _sides(net: Network, lights: pd.DataFrame, part: Ints) -> NDArray[np.bool_]:
    """Tell which lights stand to the right of their street's line."""
    tail, head = net.places[net.tail[part]], net.places[net.head[part]]
    at = lights[["longitude", "latitude"]].to_numpy(float)
    along, across = head - tail, at - tail
    cross = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
    right: NDArray[np.bool_] = cross < 0
    return right


def _summed(code: Ints, values: pd.Series[float], size: int) -> Floats:
    sums = np.bincount(code, values.to_numpy(float), minlength=size)
    return np.asarray(sums, dtype=np.float64)


def streets(
    net: Network,
    lights: pd.DataFrame,
    part: pd.Series[int],
    value: pd.DataFrame,
    order: Order,
    must: pd.Series[int],
) -> Streets:
    """Return the streets with lights as tasks.

    A two-way street is looked at once, in either direction, both sides in one pass; a
    one-way street in its direction; a road too wide to see across once a direction,
    each pass for the lights on its near side.

    Parameters
    ----------
    net
        The network.
    lights
        Lights in service.
    part
        Light to street part, -1 for none.
    value
        By light: ``found`` and ``worth``.
    order
        What was asked for.
    must
        By light: 0, 1 or 2, as in :class:`Tasks`.
    """
    on = part.to_numpy()
    placed = on >= 0
    rows = lights[placed]
    on = on[placed]
    wide = np.isin(net.road_id[on], list(order.both_sides)) & ~net.one_way[on]
    right = _sides(net, rows, on) != order.left_hand
    side = np.where(wide, np.where(right, 1, 2), 0)
    code, unique = pd.factorize(on * 3 + side, sort=True)
    unique = np.asarray(unique, dtype=np.int64)
    task_part, task_side = unique // 3, unique % 3
    own = value.loc[rows["light_id"]]
    found = _summed(code, own["found"], len(unique))
    total = _summed(code, own["worth"], len(unique))
    duty = np.zeros(len(unique), dtype=np.int64)
    np.maximum.at(duty, code, must.loc[rows["light_id"]].to_numpy(np.int64))
    kmh = np.minimum(net.kmh[task_part], order.look_kmh)
    look = net.length_m[task_part] / (kmh / 3.6) + order.note_s * found
    tasks = Tasks(
        part=task_part,
        forward=task_side != 2,
        back=(task_side != 1) & ~net.one_way[task_part],
        worth=total,
        look_s=look,
        must=duty,
    )
    lost = tuple(lights["light_id"].to_numpy()[~placed])
    return Streets(tasks, found, pd.Series(code, index=rows["light_id"]), lost)
