"""Feeds: the tree of supply sections to lights, and which lie underground."""

from __future__ import annotations

import pandas as pd

UNDERGROUND = ("underground_direct", "underground_duct")


def paths(sections: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    """Return for each section the sections that feed it, itself first.

    A section whose way to the source is broken off ends where the record does.
    """
    upstream = dict(
        zip(sections["section_id"], sections["upstream_section_id"], strict=True)
    )
    found: dict[str, tuple[str, ...]] = {}
    for section in upstream:
        way = [section]
        while (above := upstream.get(way[-1], "")) in upstream and above not in found:
            way.append(above)
        for one in reversed(way):
            found[one] = (one, *found.get(upstream[one], ()))
    return found


def told_by_lights(circuits: pd.DataFrame, lights: pd.DataFrame) -> pd.DataFrame:
    """Return the circuits, with the feed that their lights give where they give none.

    Lights that differ are on a mixed feed; where no light says so either it is blank.
    """
    silent = circuits["feed"] == ""
    told = lights[(lights["feed"] != "") & (lights["circuit_id"] != "")]
    if told.empty or not silent.any():
        return circuits
    by_circuit = told.groupby("circuit_id")["feed"]
    feed = by_circuit.first().where(by_circuit.nunique() == 1, "mixed")
    found = circuits.loc[silent, "circuit_id"].map(feed).fillna("")
    return circuits.assign(feed=circuits["feed"].where(~silent, found))


def kind_of_feed(section_kind: str) -> str:
    """Return the component kind of a section: cable underground, line overhead.

    >>> kind_of_feed("underground_duct"), kind_of_feed("overhead")
    ('cable', 'line')
    """
    return "cable" if section_kind in UNDERGROUND else "line"
