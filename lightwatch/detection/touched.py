"""Which lights a repair may have brought back: its own, or those its feed serves."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.register import Register

_KEPT = ["light_id", "repair", "day", "part", "cause", "proven", "report_id"]


def _lights_beyond(register: Register, wanted: set[str]) -> pd.DataFrame:
    """Return the lights that each of some sections feeds, in the order of lights."""
    known = register.known
    sections = pd.Index(known.sections["section_id"])
    upstream = sections.get_indexer(known.sections["upstream_section_id"])
    asked = sections.isin(list(wanted))
    light = np.arange(len(known.lights))
    at = sections.get_indexer(known.lights["section_id"])
    found = []
    for _ in range(len(sections)):
        light, at = light[at >= 0], at[at >= 0]
        if not len(at):
            break
        found.append((light[asked[at]], at[asked[at]]))
        at = upstream[at]
    lights, ways = np.concatenate(found, axis=1) if found else np.empty((2, 0), int)
    order = np.argsort(lights, kind="stable")
    return pd.DataFrame(
        {
            "light_id": known.lights["light_id"].to_numpy()[lights[order]],
            "section_id": sections.to_numpy()[ways[order]],
        },
        dtype=object,
    )


def lights_touched(register: Register, repairs: pd.DataFrame) -> pd.DataFrame:
    """Return one row per repair and light: light by light, each in order of time.

    Parameters
    ----------
    register
        The register as known on a day.
    repairs
        Some rows of ``known.repairs`` with ``repair`` (position there), ``day`` (when
        it was made) and ``part`` (what was worked on).
    """
    lights = register.known.lights[["light_id", "circuit_id", "section_id"]]
    own = repairs[repairs["light_id"] != ""]
    rest = repairs[repairs["light_id"] == ""].drop(columns="light_id")
    fed = rest[rest["section_id"] != ""]
    whole = rest[
        (rest["section_id"] == "") & (rest["circuit_id"] != "") & ~rest["named"]
    ]
    by_circuit = whole.merge(lights[["light_id", "circuit_id"]], on="circuit_id")
    beyond = _lights_beyond(register, set(fed["section_id"]))
    by_section = fed.merge(beyond, on="section_id")
    parts = [part[_KEPT] for part in (own, by_circuit, by_section) if len(part)]
    frame = pd.concat(parts, ignore_index=True) if parts else own[_KEPT]
    light, _ = pd.factorize(frame["light_id"])
    order = np.lexsort((frame["day"], light))
    return frame.iloc[order].reset_index(drop=True)
