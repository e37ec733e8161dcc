"""What it is worth to look at a light tonight, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from lightwatch.decisions.patrol.chances import unreported
from lightwatch.decisions.patrol.failing import repeat_factor
from lightwatch.detection import PROVEN, Detection
from lightwatch.lives import Lives
from lightwatch.nights import DAY
from lightwatch.words import DARK

if TYPE_CHECKING:
    from lightwatch.decisions.triage.outage import Outage

NIGHT_WORTH = {"out": 1.0, "cycling": 0.25, "dim": 0.25, "flickering": 0.25}
DAY_WORTH = {"dayburning": 1.0}
"""What a light found in a state is worth, in lights found out; a choice, no source."""

DAY_HIT = 0.9
"""Chance that a day patrol notes a light that burns; no source."""

VERIFY = 0.1
"""Worth of seeing that a repair worked, in lights found out; a choice, no source."""

SETTLE = 0.5
"""Most that it is worth to see whether a feed is at fault; a choice, no source."""

VERIFY_DAYS = 30.0
REPEATS = 2.0
"""A light that fails so many times as often as its like is named on the sheet."""

_KEPT = ("out", "dayburning")


def hits(detected: Detection, kind: str) -> dict[str, float]:
    """Return the chance that a patrol of a kind notes each state that it looks for."""
    if kind == "day":
        return dict.fromkeys(DAY_WORTH, DAY_HIT)
    return {one: detected.hit_chance(one) for one in NIGHT_WORTH}


def _add(reasons: dict[str, str], light: str, why: str) -> None:
    reasons[light] = f"{reasons[light]}; {why}" if light in reasons else why


def _to_verify(lives: Lives, at_day: float) -> pd.DataFrame:
    """Return lights whose last repair nobody has seen work."""
    known = lives.register.known
    repairs = known.repairs[known.repairs["light_id"] != ""]
    last = repairs.sort_values("happened", kind="stable").groupby("light_id").last()
    recent = at_day - last["happened"] / DAY <= VERIFY_DAYS
    mended = last["action"].isin(("replaced", "repaired", "reset", "converted"))
    asked = last["follow_up"] == "verify_at_night"
    chosen = last[recent & (asked | (mended & ~last["proven"].isin(PROVEN)))]
    return chosen[["happened", "component"]]


def dark_by_feed(outages: Sequence[Outage]) -> dict[str, float]:
    """Return the chance of lights to be dark by a fault that something open tells of.

    All lights of a circuit are judged at once, those too that nobody told of.
    """
    found: dict[str, float] = {}
    for outage in outages:
        for light, chance in outage.dark.items():
            found[light] = max(chance, found.get(light, 0.0))
    return found


def _feeds(
    frame: pd.DataFrame,
    outages: Sequence[Outage],
    lights: pd.DataFrame,
    reasons: dict[str, str],
) -> None:
    """Add what a drive-by would tell of suspected feed faults."""
    place = lights.set_index("light_id")[["longitude", "latitude", "circuit_id"]]
    for outage in outages:
        odds = outage.probabilities
        shared = odds.get("supply_fault", 0.0) + odds.get("group_photocontrol", 0.0)
        if outage.symptom not in DARK or not 0.05 < shared < 1.0:
            continue
        circuit = outage.circuit_id or ""
        silent = [
            x for x in outage.lights if x not in outage.reported and x in place.index
        ]
        for light in silent:
            _add(reasons, light, f"dark too if the feed of {circuit} is at fault")
        others = place.index[
            (place["circuit_id"] == circuit) & ~place.index.isin(outage.reported)
        ]
        if not circuit or not len(others):
            continue
        here = place.loc[[x for x in outage.reported if x in place.index]]
        away = (
            place.loc[others, ["longitude", "latitude"]]
            - here[["longitude", "latitude"]].mean()
        )
        nearest = str((away**2).sum(axis=1).idxmin())
        frame.loc[nearest, "more"] += SETTLE * 4 * shared * (1 - shared)
        _add(reasons, nearest, f"lit or dark tells one light or the feed of {circuit}")


def worth(
    lives: Lives,
    detected: Detection,
    outages: Sequence[Outage],
    at_day: float,
    *,
    kind: str = "night",
    weights: Mapping[str, float],
) -> tuple[pd.DataFrame, dict[str, str]]:
    """Return for each light what looking at it is worth, and what to look for.

    Parameters
    ----------
    lives
        Life data, and the register behind them.
    detected
        How soon trouble is noticed.
    outages
        What is open; lights reported are no find.
    at_day
        When it is driven past [days since 1970].
    kind
        ``night`` or ``day``.
    weights
        Of lights that matter more, or less, than others.

    Returns
    -------
    pandas.DataFrame
        By light: ``found``, expected finds of lights out (burning, by day) that nobody
        reported; ``worth``, everything, in the same unit.
    dict
        Light to why it is worth a look, for those that stand out.
    """
    noted = hits(detected, kind)
    values = DAY_WORTH if kind == "day" else NIGHT_WORTH
    dark = dark_by_feed(outages)
    chances = unreported(lives, detected, at_day, noted, kind, dark)
    frame = chances.mul(pd.Series(noted), axis=1).reindex(columns=list(noted)).fillna(0)
    frame["more"] = 0.0
    reasons: dict[str, str] = {}
    main = next(name for name in _KEPT if name in values)
    told = {
        light
        for one in outages
        if one.symptom == main or (main == "out" and one.symptom in DARK)
        for light in one.reported
    }
    frame.loc[frame.index.isin(told), main] = 0.0
    if kind == "night":
        lights = lives.register.standing
        _feeds(frame, outages, lights, reasons)
        for light, row in _to_verify(lives, at_day).iterrows():
            if light in frame.index:
                done = lives.register.known.clock.at(int(row["happened"]))
                frame.loc[light, "more"] += VERIFY
                part = str(row["component"]).replace("_", " ") or "repair"
                _add(reasons, str(light), f"{part} of {done:%d %b}: seen lit?")
        again = repeat_factor(lives)
        for light in again.index[again >= REPEATS]:
            if light in frame.index:
                _add(reasons, str(light), "fails again and again")
    weight = pd.Series(weights, dtype=float).reindex(frame.index).fillna(1.0)
    total = frame[list(values)].mul(pd.Series(values), axis=1).sum(axis=1)
    result = pd.DataFrame(
        {"found": frame[main], "worth": weight * (total + frame["more"])}
    )
    return result, reasons
