"""Which table of theirs is which file of ours, and which column which, by likeness.

Names are compared first; then the values are asked: whether they are dates, numbers or
codes, whether each stands once, and whether they are identifiers of another table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import linear_sum_assignment

from lightwatch.observations.likeness import code_for, column_likeness, file_likeness
from lightwatch.observations.looking import Column, Seen
from lightwatch.observations.source import DATED, PARTIAL, codes_of, ours
from lightwatch.words import Field, Resource, resources

_ACCEPTED = 0.62
"""Likeness of a column, names and values together, from which it is proposed."""

_TABLE_ACCEPTED = 1.1
_TABLE_NAMED = 0.6
_MOST_CODES = 60

_GIVEN: dict[str, dict[str, tuple[str, ...]]] = {
    "Point": {
        "lights": ("longitude", "latitude"),
        "circuits": ("longitude", "latitude"),
        "stations": ("longitude", "latitude"),
        "reports": ("longitude", "latitude"),
        "repairs": ("longitude", "latitude"),
    },
    "LineString": {"sections": ("length_m",), "roads": ()},
}
"""What shapes give to the files that they may hold."""

_ALSO: dict[str, dict[str, str]] = {
    "lights": {"road_id": "roads"},
    "patrols": {"road_id": "roads"},
    "weather": {"station_id": "stations"},
}


_KEYS = {
    **{name: one.key[0] for name, one in resources().items() if len(one.key) == 1},
    "roads": "road_id",
}


@dataclass(frozen=True)
class Ids:
    """Identifiers in the tables as far as these are known."""

    of: Mapping[str, set[str]] = field(default_factory=dict)
    """File of ours to its own."""
    wanted: Mapping[str, set[str]] = field(default_factory=dict)
    """File of ours to those by which others refer to it."""


@dataclass(frozen=True)
class Match:
    """One column of theirs that is taken for one of ours, and how alike they are."""

    column: Column
    likeness: float
    name: float
    time: Column | None = None
    """A second column that holds the time of the day."""


@dataclass(frozen=True)
class Matched:
    """One table of theirs that is taken for one file of ours."""

    seen: Seen
    resource: Resource
    likeness: float
    columns: Mapping[str, Match] = field(default_factory=dict)


def _coded(column: Column, allowed: Iterable[str]) -> float:
    codes = frozenset(allowed)
    common = column.filled.most_common(_MOST_CODES)
    if not common or len(column.filled) > _MOST_CODES:
        return 0.0
    like = sum(n for text, n in common if code_for(text, codes)[1] > 0.6)
    return like / sum(n for _, n in common)


def _values(resource: Resource, mine: Field, column: Column, ids: Ids) -> float:
    """Say what a column's values speak for or against it, -1 to 1."""
    if not column.filled:
        return -1.0 if mine.required else -0.1
    found = 0.0
    if mine.name in PARTIAL:
        dates = column.partial_days > 0.8 or column.has_serials
        found += 0.1 if dates else -1.0
    elif mine.type in DATED:
        found += 0.2 if column.days > 0.8 or column.has_serials else -1.0
    elif mine.type in ("number", "integer"):
        found += 0.1 if column.numbers > 0.9 else -1.0
    elif column.days > 0.8 or column.clocks > 0.8:
        found -= 0.6
    allowed = codes_of(resource.name, mine)
    if allowed:
        found += _codes_say(column, allowed)
    leads_to = _leads_to(resource).get(mine.name)
    if leads_to and ids.of.get(leads_to):
        share = _shared(column, ids.of[leads_to])
        found += 0.5 if share > 0.8 else (-0.7 if share < 0.2 else 0.0)
    if _KEYS.get(resource.name) == mine.name:
        found += 0.2 if column.is_unique else -0.3
        wanted = ids.wanted.get(resource.name)
        if wanted and len(wanted & column.filled.keys()) > 0.8 * len(wanted):
            found += 0.5
    return found


def _leads_to(resource: Resource) -> dict[str, str]:
    return {**resource.references, **_ALSO.get(resource.name, {})}


def _shared(column: Column, ids: set[str]) -> float:
    return len(ids & column.filled.keys()) / len(column.filled)


def _codes_say(column: Column, allowed: frozenset[str]) -> float:
    """Several codes that all are ours say it without a name; a yes or no does not."""
    share = _coded(column, allowed)
    if share <= 0.5:
        return -0.4
    telling = share > 0.95 and len(column.filled) > 1 and len(allowed) > 2
    return 0.65 if telling else 0.4 * share


def _matches(seen: Seen, resource: Resource, ids: Ids) -> dict[str, Match]:
    given = _GIVEN.get(seen.shape or "", {}).get(resource.name, ())
    mine = [one for one in ours(resource.name).values() if one.name not in given]
    if seen.shape == "LineString" and resource.name == "sections":
        mine = list(ours("sections").values())
    names = np.array(
        [[column_likeness(one.name, field.name) for one in seen.columns]
         for field in mine]
    )  # fmt: skip
    names = names.reshape(len(mine), len(seen.columns))
    total = np.full(names.shape, -9.0)
    by_value = {*_leads_to(resource), _KEYS.get(resource.name)}
    for i, field_ in enumerate(mine):
        for j, column in enumerate(seen.columns):
            if names[i, j] > 0.4 or field_.name in by_value or field_.allowed:
                total[i, j] = names[i, j] + _values(resource, field_, column, ids)
    taken = np.where(total >= _ACCEPTED, total, 0.0)
    pairs = zip(*linear_sum_assignment(taken, maximize=True), strict=True)
    return {
        mine[i].name: Match(seen.columns[j], float(taken[i, j]), float(names[i, j]))
        for i, j in pairs
        if taken[i, j] > 0
    }


def _table_likeness(seen: Seen, resource: Resource, found: dict[str, Match]) -> float:
    """Say how alike a table is to a file of ours: its name, and what they share."""
    shaped = resource.name in _GIVEN.get(seen.shape or "", {})
    if (seen.shape and not shaped) or (resource.name == "roads" and not seen.shape):
        return 0.0
    given = _GIVEN.get(seen.shape or "", {}).get(resource.name, ())
    needed = [one.name for one in ours(resource.name).values() if one.required]
    missing = [name for name in needed if name not in found and name not in given]
    named = max(file_likeness(seen.name, resource.name),
                file_likeness(seen.file.rsplit(".", 1)[0], resource.name))  # fmt: skip
    if len(missing) > len(needed) / 2 and named < _TABLE_NAMED:
        return 0.0
    score = sum(min(match.likeness, 1.2) for match in found.values())
    share = score / max(len(seen.columns), 1) + score / len(ours(resource.name))
    return named + share - 0.3 * len(missing)


def _with_times(seen: Seen, resource: Resource, found: dict[str, Match]) -> None:
    """Add to a column of days the free column of times that stands next to it."""
    used = {match.column.name for match in found.values()}
    clocks = [
        i
        for i, one in enumerate(seen.columns)
        if one.name not in used and one.clocks > 0.8
    ]
    names = [one.name for one in seen.columns]
    for name, match in found.items():
        at = names.index(match.column.name)
        bare = not any(":" in text for text in match.column.filled)
        if ours(resource.name)[name].type != "datetime" or not clocks or not bare:
            continue
        next_to = min(clocks, key=lambda i: (abs(i - at), i < at))
        if abs(next_to - at) <= 2:
            clocks.remove(next_to)
            found[name] = Match(
                match.column, match.likeness, match.name, seen.columns[next_to]
            )


def _assigned(
    tables: Sequence[Seen], ids: Ids
) -> dict[str, tuple[Seen, float, dict[str, Match]]]:
    named = list(resources().values())
    columns = [[_matches(seen, one, ids) for one in named] for seen in tables]
    total = np.array(
        [
            [_table_likeness(seen, one, found)
             for one, found in zip(named, row, strict=True)]
            for seen, row in zip(tables, columns, strict=True)
        ]
    )  # fmt: skip
    total = total.reshape(len(tables), len(named))
    total = np.where(total >= _TABLE_ACCEPTED, total, 0.0)
    pairs = zip(*linear_sum_assignment(total, maximize=True), strict=True)
    return {
        named[j].name: (tables[i], float(total[i, j]), columns[i][j])
        for i, j in pairs
        if total[i, j] > 0
    }


def _ids(found: Mapping[str, Mapping[str, Match]]) -> Ids:
    own = {
        name: set(columns[_KEYS[name]].column.filled)
        for name, columns in found.items()
        if _KEYS.get(name) in columns
    }
    wanted: dict[str, set[str]] = {}
    for name, columns in found.items():
        for column, to in _leads_to(resources()[name]).items():
            if column in columns and to != name:
                wanted.setdefault(to, set()).update(columns[column].column.filled)
    return Ids(own, wanted)


def match(tables: Sequence[Seen]) -> dict[str, Matched]:
    """Say which table is most likely which file of ours, and which column which.

    Twice: once the tables are known, identifiers that lead from one to another say
    more than names do.
    """
    ids = Ids()
    for _ in range(2):
        found = _assigned(tables, ids)
        ids = _ids({name: columns for name, (_, _, columns) in found.items()})
    made = {}
    for name in resources():
        if name in found:
            seen, likeness, columns = found[name]
            _with_times(seen, resources()[name], columns)
            made[name] = Matched(seen, resources()[name], likeness, columns)
    return made
