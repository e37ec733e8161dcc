"""What must be driven whatever it finds: asked for, or unseen for too long."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.decisions.patrol.order import Order
from lightwatch.errors import UnknownAsset
from lightwatch.nights import DAY
from lightwatch.register import Register

ASKED, UNSEEN = 2, 1


def last_seen(register: Register, kind: str = "night") -> pd.Series[float]:
    """Return when a patrol last covered the road of each light [days since 1970].

    Where none has, when the light, or the register, came into service.
    """
    patrols = register.known.patrols
    own = patrols[patrols["kind"] == kind]
    last = own.groupby("road_id")["happened"].max() / DAY
    lights = register.standing
    since = np.fmax(lights["entered"].to_numpy(float), register.known.opened) / DAY
    seen = lights["road_id"].map(last).to_numpy(float)
    return pd.Series(np.fmax(seen, since), index=lights["light_id"])


def _roads(register: Register) -> set[str]:
    lights = register.standing
    return {*register.known.roads["road_id"], *lights["road_id"]} - {""}


def check_names(register: Register, order: Order) -> None:
    """Refuse an order that names what is not on record.

    Raises
    ------
    UnknownAsset
        A road, or a light, is unknown.
    """
    roads = _roads(register)
    lights = set(register.standing["light_id"])
    listed = (
        ("must-visit", order.must_visit, roads | lights, "road or light in service"),
        ("closed", order.closed, roads, "road"),
        ("both-sides", order.both_sides, roads, "road"),
        ("weights", tuple(order.weights), lights, "light in service"),
    )
    for where, names, known, what in listed:
        unknown = [name for name in names if name not in known]
        if unknown:
            raise UnknownAsset(
                f"{where} list: {', '.join(map(repr, unknown[:5]))} is no {what}"
            )


def duties(register: Register, order: Order, at_day: float) -> pd.Series[int]:
    """Return for each light 2 if it was asked for, 1 if unseen too long, or 0.

    A light on a road that will have gone unseen for too long by the next night is due
    tonight.
    """
    lights = register.standing
    names = set(order.must_visit)
    asked = lights["light_id"].isin(names) | lights["road_id"].isin(names)
    due = np.zeros(len(lights), dtype=bool)
    if order.seen_within_days is not None:
        unseen = at_day + 1.0 - last_seen(register, order.kind).to_numpy()
        due = (unseen > order.seen_within_days) & (lights["road_id"] != "").to_numpy()
    must = np.where(asked, ASKED, np.where(due, UNSEEN, 0))
    return pd.Series(must, index=lights["light_id"])
