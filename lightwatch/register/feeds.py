"""Feeds: the tree of supply sections from a circuit's source to its lights."""

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


def kind_of_feed(section_kind: str) -> str:
    """Return the component kind of a section: cable underground, line overhead.

    >>> kind_of_feed("underground_duct"), kind_of_feed("overhead")
    ('cable', 'line')
    """
    return "cable" if section_kind in UNDERGROUND else "line"
