"""Visits of crews: how long trouble waits, and whether the first guess was right."""

from __future__ import annotations

import numpy as np
import pandas as pd

from demo_city.days import Columns, Flags, Floats, Ints
from demo_city.feeds import CIRCUIT, SECTION
from demo_city.fitting import Cuts
from demo_city.noticing import DAYBURNING, KNOCKED_DOWN
from demo_city.world import World, fitted_to

WRONG_PARTS = {
    "wiring": "photocontrol",
    "ballast": "lamp",
    "ignitor": "lamp",
    "led_module": "driver",
    "lamp": "photocontrol",
    "driver": "photocontrol",
    "photocontrol": "fuse",
    "cable": "photocontrol",
    "line": "photocontrol",
}
"""What a crew changes first when it misjudges the failure of a kind.

Kinds are simulated so that a part comes after every kind for which it is changed.
"""


RECALL_DAYS = 26


def _mean_wait(world: World, level: Ints, symptom: Ints) -> Floats:
    """Return mean days from being noticed to the visit."""
    parameters = world.parameters
    mean = np.where(level == SECTION, parameters.feed_visit_days, parameters.visit_days)
    mean = np.where(symptom == DAYBURNING, 2 * mean, mean)
    return np.where(symptom == KNOCKED_DOWN, 3 * mean, mean)


def _misjudged(
    world: World,
    kind: str,
    level: Ints,
    holder: Ints,
    at: Floats,
    rng: np.random.Generator,
) -> Flags:
    """Draw which troubles a crew misjudges on its first visit."""
    part = WRONG_PARTS.get(kind)
    many = world.feeds.dark_count(level, holder)
    wrong = rng.random(holder.size) < world.parameters.wrong_first_share / many**0.5
    wrong &= (level != CIRCUIT) & (part is not None)
    if part == "photocontrol":
        fleet, light = world.fleet, np.where(level == CIRCUIT, 0, holder)
        wrong &= fleet.own_control[light] & fleet.ours[light]
        wrong &= (at > fleet.start[light]) & (at < fleet.stop[light])
    return np.asarray(wrong)


def mend(
    world: World,
    kind: str,
    level: Ints,
    holder: Ints,
    failed_at: Floats,
    symptom: Ints,
    rng: np.random.Generator,
) -> Columns:
    """Draw how troubles are noticed and mended, some of them at the second try.

    Returns
    -------
    dict
        What :meth:`Watch.notice` gives, and ``wrong_at``, ``again_at`` (not a number:
        right at once) and ``repaired_at`` [days].
    """
    story = world.watch.notice(level, holder, failed_at, symptom, rng)
    calendar, mean = world.calendar, _mean_wait(world, level, symptom)

    def visit(after: Floats) -> Floats:
        wait = 1.0 + rng.gamma(2.0, np.maximum(mean - 1, 0.5) / 2)
        return calendar.working(after + wait, rng)

    repaired = visit(story["noticed_at"])
    wrong = _misjudged(world, kind, level, holder, repaired, rng)
    recall = np.floor(repaired) + rng.integers(1, RECALL_DAYS, holder.size)
    again = calendar.evening(recall.astype(np.float64), rng)
    story["wrong_at"] = np.where(wrong, repaired, np.nan)
    story["again_at"] = np.where(wrong, again, np.nan)
    story["repaired_at"] = np.where(wrong, visit(again), repaired)
    return story


def wrong_cuts(world: World, troubles: pd.DataFrame, rng: np.random.Generator) -> Cuts:
    """Return what the wrong first repairs of these troubles took off and fitted."""
    wrong = troubles["wrong_at"].notna() & (troubles["wrong_at"] < troubles["stop"])
    wrong &= troubles["wrong_at"] < world.calendar.end
    rows = np.flatnonzero(wrong.to_numpy())
    light = troubles["holder"].to_numpy()[rows]
    at = troubles["wrong_at"].to_numpy()[rows]
    part = WRONG_PARTS[str(troubles["kind"].iloc[0])] if len(troubles) else "fuse"
    model = fitted_to(world, part, light, at, rng)
    return Cuts(light, at, at, model)
