"""Repairs of a light after which another of its parts, or its feed, was worked on."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.detection.moments import Moments
from lightwatch.detection.touched import lights_touched
from lightwatch.nights import DAY, YEAR
from lightwatch.register import Register
from lightwatch.register.fittings import worked_on
from lightwatch.register.placed import placed
from lightwatch.words import DARK

NOT_A_FAULT = ("", "none", "unknown", "programme", "knockdown", "vandalism", "theft",
               "customer")  # fmt: skip
"""Causes that say nothing of a component's own failure."""

TOLD_DAYS = 60.0
"""The trouble that a repair ended was told of at most so long before [days]."""

AGES_YEARS = (2.0, 5.0)
"""Parts are young, older and old: a part that had failed was seldom young."""

_MENDS = ("replaced", "repaired", "reset", "converted")
_SOON = 3
"""How many visits after a repair are looked at."""

Floats = NDArray[np.float64]


def _mended(register: Register) -> pd.DataFrame:
    repairs = register.known.repairs
    chosen = repairs["action"].isin(_MENDS) & ~repairs["cause"].isin(NOT_A_FAULT)
    frame = repairs[chosen]
    return frame.assign(
        repair=frame.index, day=frame["happened"] / DAY, part=worked_on(frame)
    )


def _signs(register: Register) -> Moments:
    """Return when each light was reported or sighted [days]."""
    reports, sightings = register.known.reports, register.known.sightings
    told = pd.DataFrame(
        {"light_id": placed(register)["light_id"], "happened": reports["happened"]}
    )
    both = pd.concat([told, sightings[["light_id", "happened"]]])
    both = both[both["light_id"] != ""]
    return Moments.of(both["light_id"], both["happened"] / DAY)


def _next_other(touched: pd.DataFrame) -> NDArray[np.int64]:
    """Return the row of the next work on another part of the light; -1: none."""
    light, _ = pd.factorize(touched["light_id"])
    part, day = touched["part"].to_numpy(object), touched["day"].to_numpy(float)
    found = np.full(len(touched), -1)
    for step in range(1, _SOON + 1):
        at = np.arange(max(len(touched) - step, 0))
        later = at + step
        new = (light[at] == light[later]) & (day[later] > day[at])
        new &= (part[at] != part[later]) & (found[at] < 0)
        found[at[new]] = later[new]
    return found


def followed(register: Register) -> tuple[pd.DataFrame, Floats]:
    """Return pairs of work on a light, the second on another part or on the feed.

    Returns
    -------
    pandas.DataFrame
        One row a pair: ``repair`` and ``second`` (positions in ``known.repairs``),
        ``days`` from the first until the trouble that the second ended was told of, or
        until the second; ``waited``, how long the first trouble had been told of
        [days]; whether the second was on the ``feed``; and of the first its ``part``,
        ``age``, ``proof``, and whether the ``symptom`` was that of the second.
    numpy.ndarray
        For how long each repair of a light's own is followed [days].
    """
    mended = _mended(register)
    touched = lights_touched(register, mended)
    own = touched["repair"].isin(mended.loc[mended["light_id"] != "", "repair"])
    watched = register.as_of / DAY - touched.loc[own, "day"].to_numpy(float)
    then = _next_other(touched)
    row = np.flatnonzero(own & (then >= 0))
    first = touched.iloc[row].reset_index(drop=True)
    second = touched.iloc[then[row]].reset_index(drop=True)
    lights = _signs(register).at(first["light_id"])
    begun, ended = first["day"].to_numpy(float), second["day"].to_numpy(float)
    since = np.maximum(begun, ended - TOLD_DAYS)
    before, _ = lights.next(begun - TOLD_DAYS)
    told = np.minimum(lights.next(since)[0], ended)
    told = np.fmin(told, _named(register, second, begun))
    return pd.DataFrame(
        {
            "repair": first["repair"],
            "second": second["repair"],
            "days": told - begun,
            "waited": begun - np.minimum(before, begun),
            "feed": ~second["repair"].isin(mended.loc[mended["light_id"] != ""].index),
            "part": first["part"],
            "age": _age(register, first),
            "proof": first["proven"],
            "symptom": _same(register, first["repair"], second["repair"]),
        }
    ), watched


def _named(register: Register, second: pd.DataFrame, after: Floats) -> Floats:
    """Return when the report was received that the second names, if after the first."""
    received = register.known.reports.set_index("report_id")["happened"] / DAY
    told = second["report_id"].map(received).to_numpy(float)
    return np.where(told > after, told, np.nan)


def _age(register: Register, first: pd.DataFrame) -> NDArray[np.object_]:
    """Return in which band of ages each part was; '' if its age is not known."""
    ended = register.fittings
    ended = ended[ended["end_repair"] >= 0].drop_duplicates(["end_repair", "kind"])
    born = (ended["installed"] + ended["installed_last"]) / 2
    age = ((ended["end"] - born) / YEAR).set_axis(
        pd.MultiIndex.from_frame(ended[["end_repair", "kind"]])
    )
    years = age.reindex(pd.MultiIndex.from_frame(first[["repair", "part"]]))
    band = np.searchsorted(AGES_YEARS, years.to_numpy(float)).astype(str)
    return np.where(years.isna().to_numpy(), "", band).astype(object)


def _same(
    register: Register, first: pd.Series[int], second: pd.Series[int]
) -> NDArray[np.object_]:
    """Say whether two repairs found the same: dark, another symptom, not, or ''."""
    known = register.known
    reported = known.reports.set_index("report_id")["symptom"]
    found = known.repairs["symptom_found"]
    told = known.repairs["report_id"].map(reported).fillna("")
    found = found.where(found != "", told)
    found = found.where(~found.isin(DARK), DARK[0])
    one, other = (found.reindex(rows).to_numpy(object) for rows in (first, second))
    same = np.where(one == DARK[0], "dark", "same")
    said = np.where(one == other, same, "other")
    return np.asarray(np.where((one == "") | (other == ""), "", said), dtype=object)
