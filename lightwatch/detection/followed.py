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

SAME, EARLIER, LATER, NONE = "same", "earlier", "later", "none"
"""The second of two repairs names the report that the first did, another from before
the first repair, one from after it, or none."""

FIRST_NAMES_NONE = ", the first none"

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
    mended = _mended(register)
    touched = lights_touched(register, mended)
    own = touched["repair"].isin(mended.loc[mended["light_id"] != "", "repair"])
    watched = register.as_of / DAY - touched.loc[own, "day"].to_numpy(float)
    row, then = _then(touched)
    mine = own.to_numpy()[row]
    first = touched.iloc[row[mine]].reset_index(drop=True)
    second = touched.iloc[then[mine]].reset_index(drop=True)
    lights = _signs(register).at(first["light_id"])
    begun, ended = first["day"].to_numpy(float), second["day"].to_numpy(float)
    since = np.maximum(begun, ended - TOLD_DAYS)
    before, _ = lights.next(begun - TOLD_DAYS)
    told = np.minimum(lights.next(since)[0], ended)
    named = _received(register, second)
    told = np.fmin(told, np.where(named > begun, named, np.nan))
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
