"""Repairs of a light after which another of its parts, or its feed, was worked on."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.detection.marks import (
    TOLD_DAYS,
    age_of,
    alike,
    mended,
    symptom_of,
)
from lightwatch.detection.moments import Moments
from lightwatch.detection.signs import signs
from lightwatch.detection.touched import lights_touched
from lightwatch.nights import DAY
from lightwatch.register import Register

_SOON = 3
"""How many visits after a repair are looked at."""

SAME, EARLIER, LATER, NONE = "same", "earlier", "later", "none"
"""The second of two repairs names the report that the first did, another from before
the first repair, one from after it, or none."""

FIRST_NAMES_NONE = ", the first none"

Floats = NDArray[np.float64]


def _then(touched: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return pairs of rows: work, and work on another part of the light soon after."""
    light, _ = pd.factorize(touched["light_id"])
    part, day = touched["part"].to_numpy(object), touched["day"].to_numpy(float)
    first, second = [], []
    for step in range(1, _SOON + 1):
        at = np.arange(max(len(touched) - step, 0))
        later = at + step
        new = (light[at] == light[later]) & (day[later] > day[at])
        new &= part[at] != part[later]
        first.append(at[new])
        second.append(later[new])
    return np.concatenate(first), np.concatenate(second)


def followed(register: Register) -> tuple[pd.DataFrame, Floats]:
    """Return pairs of work on a light, the second on another part or on the feed.

    Returns
    -------
    pandas.DataFrame
        One row a pair: ``repair`` and ``second`` (positions in ``known.repairs``),
        ``days`` from the first until the trouble that the second ended was told of, or
        until the second; ``waited``, how long the first trouble had been told of
        [days]; whether the second was on the ``feed``; of the first its ``part``,
        ``age``, ``proof``, and whether the ``symptom`` was that of the second; and
        which ``report`` the second names.
    numpy.ndarray
        For how long each repair of a light's own is followed [days].
    """
    work = mended(register)
    touched = lights_touched(register, work)
    at_lights = work.loc[work["light_id"] != "", "repair"]
    own = touched["repair"].isin(at_lights)
    watched = register.as_of / DAY - touched.loc[own, "day"].to_numpy(float)
    row, then = _then(touched)
    mine = own.to_numpy()[row]
    first = touched.iloc[row[mine]].reset_index(drop=True)
    second = touched.iloc[then[mine]].reset_index(drop=True)
    told = signs(register)
    lights = Moments.of(told["light_id"], told["day"]).at(first["light_id"])
    begun, ended = first["day"].to_numpy(float), second["day"].to_numpy(float)
    since = np.maximum(begun, ended - TOLD_DAYS)
    before, _ = lights.next(begun - TOLD_DAYS)
    named = _received(register, second)
    later = np.where(named > begun, named, np.nan)
    back = np.fmin(np.minimum(lights.next(since)[0], ended), later)
    found = symptom_of(register)
    return pd.DataFrame(
        {
            "repair": first["repair"],
            "second": second["repair"],
            "days": back - begun,
            "waited": begun - np.minimum(before, begun),
            "feed": ~second["repair"].isin(at_lights),
            "part": first["part"],
            "age": age_of(register, first),
            "proof": first["proven"],
            "symptom": alike(found[first["repair"]], found[second["repair"]]),
            "report": _report(first, second, named <= begun),
        }
    ), watched


def _received(register: Register, second: pd.DataFrame) -> Floats:
    """Return when the report that each names was received [days]; NaN: none named."""
    received = register.known.reports.set_index("report_id")["happened"] / DAY
    return np.asarray(second["report_id"].map(received).to_numpy(float))


def _report(
    first: pd.DataFrame, second: pd.DataFrame, before: NDArray[np.bool_]
) -> pd.Series[str]:
    """Say which report the second of each pair names, and whether the first does."""
    one, other = first["report_id"], second["report_id"]
    said = pd.Series(np.where(before, EARLIER, LATER), other.index, dtype=object)
    said = said.where(other != one, SAME).where(other != "", NONE)
    return said + np.where(one == "", FIRST_NAMES_NONE, "")
