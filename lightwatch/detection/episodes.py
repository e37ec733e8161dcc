"""Episodes: one trouble at a light, from its first sign to the repair that ended it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.detection.held import NOT_A_FAULT, PROVEN, unheld
from lightwatch.detection.moments import Floats, Moments
from lightwatch.detection.signs import signs
from lightwatch.detection.touched import lights_touched
from lightwatch.kept import keeping, once
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.words import DARK, UNANSWERED

_PASSES_BACK = 6
_SAME_VISIT = 1e-4
_ONE_NIGHT = 0.5
_NEVER = -1e5
_MENDS = ("replaced", "repaired", "reset", "converted", "removed")


def _mended(register: Register) -> pd.DataFrame:
    """Return repairs at lights, in order of light and time."""
    repairs = register.known.repairs
    own = repairs["action"].isin(_MENDS) & (repairs["light_id"] != "")
    frame = repairs[own]
    light, _ = pd.factorize(frame["light_id"], sort=True)
    frame = frame.iloc[np.lexsort((frame["happened"], light))]
    roads = register.known.lights.set_index("light_id")["road_id"]
    received = register.known.reports.set_index("report_id")["happened"] / DAY
    return pd.DataFrame(
        {
            "repair": frame.index,
            "light_id": frame["light_id"].to_numpy(),
            "road_id": frame["light_id"].map(roads).to_numpy(),
            "part": worked_on(frame).to_numpy(),
            "cause": frame["cause"].to_numpy(),
            "symptom_found": frame["symptom_found"].to_numpy(),
            "held": ~frame.index.isin(unheld(register)),
            "mended": frame["happened"].to_numpy(float) / DAY,
            "named": frame["report_id"].map(received).to_numpy(float),
        }
    )


def _answers(register: Register) -> pd.DataFrame:
    """Return what ended troubles, a row per light: all visits but wrong guesses."""
    repairs = register.known.repairs
    ends = ~repairs["action"].isin(UNANSWERED) & (repairs["made_safe"] != "yes")
    ends &= ~repairs.index.isin(unheld(register))
    frame = repairs[ends]
    frame = frame.assign(
        repair=frame.index, day=frame["happened"] / DAY, part=worked_on(frame)
    )
    return lights_touched(register, frame)


def _seen_lit(register: Register, frame: pd.DataFrame, before: Floats) -> Floats:
    """Return when a night patrol last passed each light and noted nothing."""
    sightings = register.known.sightings
    noted = Moments.of(sightings["light_id"], sightings["happened"] / DAY)
    noted_of, passes = noted.at(frame["light_id"]), night_passes(register)
    passes_of = passes.at(frame["road_id"])
    lit, at = np.full(len(frame), -np.inf), before
    left = np.arange(len(frame))
    for _ in range(_PASSES_BACK):
        at, _ = passes_of.last(at)
        dark = noted_of.count(at - _SAME_VISIT, at + _ONE_NIGHT) > 0
        lit[left[~dark]] = at[~dark]
        left, at = left[dark], at[dark]
        noted_of, passes_of = noted_of.chosen(dark), passes_of.chosen(dark)
    return lit


@once
def night_passes(register: Register) -> Moments:
    """Return when night patrols set out along each road [days]."""
    patrols = register.known.patrols
    night = patrols[patrols["kind"] == "night"]
    return Moments.of(night["road_id"], night["happened"] / DAY)


@keeping
def episodes(register: Register) -> pd.DataFrame:
    """Return the trouble that each repair at a light ended.

    Returns
    -------
    pandas.DataFrame
        One row a repair at a light: ``repair`` (position in ``known.repairs``),
        ``light_id``, ``road_id``, ``part``, ``cause``, ``held``, ``symptom`` ('' if
        nobody said), and in days: ``mended``; ``noticed``, the first report or
        sighting since the last repair that held (the repair itself if there was
        none), not before a night patrol that saw it lit unless the repair names the
        report: then the patrol missed it; ``passed``, when a night patrol last passed
        before that and saw nothing; ``lit``, when it was last proven lit by a repair.
        Minus infinite: never.
    """
    frame = _mended(register)
    told = signs(register)
    mended = frame["mended"].to_numpy()
    answers = _answers(register)
    light = frame["light_id"]
    since, row = Moments.of(answers["light_id"], answers["day"]).at(light).last(mended)
    proven = np.append(answers["proven"].isin(PROVEN).to_numpy(), False)[row]
    times = Moments.of(told["light_id"], told["day"]).at(light)
    _, latest = times.last(mended + _SAME_VISIT)
    symptoms = np.append(told["symptom"].to_numpy(object), "")
    dark = np.isin(symptoms[latest].astype(str), DARK)
    lit = _seen_lit(register, frame, mended)
    floor = np.maximum(since, np.where(dark, lit, -np.inf))
    named = frame["named"].to_numpy() - _SAME_VISIT
    floor = np.where((named >= since) & (named < floor), named, floor)
    noticed, first = times.next(np.maximum(floor, _NEVER))
    late = ~(noticed <= mended)
    frame["noticed"] = np.where(late, mended, noticed)
    frame["symptom"] = np.where(late, frame["symptom_found"], symptoms[first])
    by_patrol = np.append(told["by_patrol"].to_numpy(bool), False)[first]
    frame["by_patrol"] = by_patrol & ~late
    frame["told"] = ~late
    frame["passed"] = _seen_lit(register, frame, frame["noticed"].to_numpy())
    frame["lit"] = np.where(proven & (row >= 0), since, -np.inf)
    return frame.drop(columns=["symptom_found", "named"])


def of_faults(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the episodes that ended in the repair of a fault, and held."""
    return frame[frame["held"] & ~frame["cause"].isin(NOT_A_FAULT)]
