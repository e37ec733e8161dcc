"""Repairs that did not hold: the part replaced was not the one that had failed.

Common practice, no source: when the same light is worked on again within days, and
another component is then replaced or its feed repaired, the first part was a wrong
guess; unless the crew had seen the first repair work.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.nights import DAY
from lightwatch.register.fittings import worked_on
from lightwatch.register.register import Register

WINDOW_DAYS = 28
"""A second repair within this many days [days] puts the first in doubt."""

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
    columns = ["light_id", "index", "happened", "part", "proven", "action"]
    parts = [part[columns] for part in (own, by_circuit, by_section) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else own[columns]


def unheld(register: Register, window_days: float = WINDOW_DAYS) -> set[int]:
    """Return the repairs that did not hold, by position in ``known.repairs``.

    Parameters
    ----------
    register
        The register as known on a day; nothing recorded later is looked at.
    window_days
        Time within which another part must be worked on [days].
    """
    mended = _mended(register)
    touched = _lights_touched(register, mended)
    touched = touched.sort_values(["light_id", "happened"], kind="stable")
    at, part = touched["happened"].to_numpy(float), touched["part"].to_numpy()
    light = touched["light_id"].to_numpy()
    doubtful = np.zeros(len(touched), dtype=bool)
    for step in range(1, 4):
        later = np.roll(at, -step) - at
        near = (np.roll(light, -step) == light) & (later > 0)
        near &= later <= window_days * DAY
        near &= np.roll(part, -step) != part
        near[len(near) - min(step, len(near)) :] = False
        doubtful |= near
    guess = ~touched["proven"].isin(PROVEN).to_numpy() & doubtful
    own = set(mended.loc[mended["light_id"] != "", "index"])
    return set(touched.loc[guess, "index"]) & own
