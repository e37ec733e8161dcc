"""Repairs that did not hold: the part replaced was not the one that had failed.

Common practice, no source: when the same light is worked on again within days, and
another component is then replaced or its feed repaired, the first part was a wrong
guess; unless the crew had seen the first repair work.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.nights import DAY
from lightwatch.register.fittings import worked_on
from lightwatch.register.register import Register

WINDOW_DAYS = 28
"""A light in trouble again within this many days puts its last repair in doubt."""

WAIT_DAYS = 60
"""So long after it, at most, another part must have been worked on [days]."""

PROVEN = ("cover_test", "seen_lit")

NOT_A_FAULT = ("", "none", "unknown", "programme", "knockdown", "vandalism", "theft",
               "customer")  # fmt: skip
"""Causes that say nothing of a component's own failure."""

_MENDS = ("replaced", "repaired", "reset", "converted")


def _mended(register: Register) -> pd.DataFrame:
    repairs = register.known.repairs
    chosen = repairs["action"].isin(_MENDS) & ~repairs["cause"].isin(NOT_A_FAULT)
    frame = repairs[chosen].assign(index=repairs.index[chosen])
    frame["part"] = worked_on(frame)
    return frame


def _lights_touched(register: Register, mended: pd.DataFrame) -> pd.DataFrame:
    """Return one row per repair and light that it may have brought back."""
    lights = register.known.lights[["light_id", "circuit_id", "section_id"]]
    own = mended[mended["light_id"] != ""]
    whole = mended[
        (mended["light_id"] == "")
        & (mended["section_id"] == "")
        & (mended["circuit_id"] != "")
        & ~mended["named"]
    ]
    by_circuit = whole.drop(columns="light_id").merge(
        lights[["light_id", "circuit_id"]], on="circuit_id"
    )
    fed = mended[(mended["light_id"] == "") & (mended["section_id"] != "")]
    ways = register.feeds
    pairs = [
        (light, section)
        for light, own_section in zip(
            lights["light_id"], lights["section_id"], strict=True
        )
        for section in ways.get(own_section, ())
    ]
    beyond = pd.DataFrame(pairs, columns=["light_id", "section_id"])
    needed = beyond[beyond["section_id"].isin(set(fed["section_id"]))]
    by_section = fed.drop(columns="light_id").merge(needed, on="section_id")
    columns = ["light_id", "index", "happened", "part", "proven", "report_id"]
    parts = [part[columns] for part in (own, by_circuit, by_section) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else own[columns]


def _sorted_signs(register: Register, codes: dict[str, int]) -> NDArray[np.float64]:
    """Return all reports and sightings of lights, as sorted light-and-time keys."""
    known = register.known
    signs = pd.concat(
        [frame[["light_id", "happened"]] for frame in (known.reports, known.sightings)]
    )
    light = signs["light_id"].map(codes)
    keys = light * _APART + signs["happened"] / DAY
    return np.sort(keys.dropna().to_numpy(float))


_APART = 1e6
"""More days than any record spans, so that keys of two lights never mix."""


def _again(
    register: Register, touched: pd.DataFrame, later: pd.DataFrame
) -> NDArray[np.float64]:
    """Return when each light was in trouble again, up to the later repair [days]."""
    codes = {name: i for i, name in enumerate(pd.unique(touched["light_id"]))}
    signs = _sorted_signs(register, codes)
    light = touched["light_id"].map(codes).to_numpy(float) * _APART
    at = touched["happened"].to_numpy(float) / DAY
    mended = later["happened"].to_numpy(float) / DAY
    index = np.searchsorted(signs, light + at, side="right")
    seen = np.append(signs, np.inf)[index] - light
    reports = register.known.reports.set_index("report_id")["happened"]
    told = later["report_id"].map(reports).to_numpy(float) / DAY
    again = np.fmin(np.minimum(seen, mended), np.maximum(told, at))
    days: NDArray[np.float64] = again - at
    return days


def unheld(register: Register, window_days: float = WINDOW_DAYS) -> set[int]:
    """Return the repairs that did not hold, by position in ``known.repairs``.

    Parameters
    ----------
    register
        The register as known on a day; nothing recorded later is looked at.
    window_days
        Time within which the light must be in trouble again [days].
    """
    mended = _mended(register)
    touched = _lights_touched(register, mended)
    touched = touched.sort_values(["light_id", "happened"], kind="stable")
    doubtful = np.zeros(len(touched), dtype=bool)
    for step in range(1, 4):
        later = touched.shift(-step)
        waited = (later["happened"] - touched["happened"]) / DAY
        other = (later["light_id"] == touched["light_id"]) & (waited > 0)
        other &= (waited <= WAIT_DAYS) & (later["part"] != touched["part"])
        doubtful |= other.to_numpy() & (_again(register, touched, later) <= window_days)
    guess = ~touched["proven"].isin(PROVEN).to_numpy() & doubtful
    own = set(mended.loc[mended["light_id"] != "", "index"])
    return set(touched.loc[guess, "index"]) & own
