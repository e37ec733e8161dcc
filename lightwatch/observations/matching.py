"""Which table of theirs is which file of ours, and which column which, by likeness.

Names are compared first; then the values are asked: whether they are dates, numbers or
codes, whether each stands once, and whether they are identifiers of another table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import linear_sum_assignment

from lightwatch.observations.ended import says_how_it_ended
from lightwatch.observations.likeness import (
    SURE,
    code_for,
    column_likeness,
    words_of,
)
from lightwatch.observations.looking import Column, Seen
from lightwatch.observations.named_by import counts_rows, named_by
from lightwatch.observations.numbering import shared
from lightwatch.observations.source import DATED, PARTIAL, codes_of, ours
from lightwatch.observations.telling import ACCEPTED, GIVEN, told
from lightwatch.words import Field, Resource, resources

_ACCEPTED = 0.62
"""Likeness of a column, names and values together, from which it is proposed."""

_MOST_CODES = 60
_MOST_TEXTS = 2_000
_A_FEW = 20

_SPECIFIC = {"technology", "symptom", "action", "cause", "component", "feed", "proven",
             "kind", "state"}  # fmt: skip
"""Columns whose codes say what a column is, whatever it is called."""

_SELDOM = {"duplicate_of", "supersedes", "removed_on", "temporary_feed_until"}
"""Columns that most rows leave blank."""

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

    of: Mapping[str, frozenset[str]] = field(default_factory=dict)
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
    tag: Column | None = None
    """Of lights: a column by which others name them, though it is not their key."""


def _coded(column: Column, allowed: Iterable[str]) -> float:
    """Return the share of a column's common values that are like codes of ours."""
    codes = frozenset(allowed)
    many = len(column.filled) > _MOST_CODES
    common = column.common[: _A_FEW if many else _MOST_CODES]
    if not common or len(column.filled) > _MOST_TEXTS or column.days > 0.8:
        return 0.0
    if many and column.numbers > 0.9:
        return 0.0
    like = sum(n for text, n in common if code_for(text, codes)[1] > 0.6)
    return like / sum(n for _, n in common)


def _values(resource: Resource, mine: Field, column: Column, ids: Ids) -> float:
    """Say what a column's values speak for or against it, -1 to 1."""
    if not column.filled:
        return -1.0 if mine.required else -0.1
    found = 0.05 * column.full
    if mine.name in PARTIAL:
        dates = column.partial_days > 0.8 or column.has_serials
        found += 0.1 if dates else -1.0
    elif mine.type in DATED:
        found += 0.2 if column.days > 0.8 or column.has_serials else -1.0
    elif mine.type in ("number", "integer"):
        found += _number_says(mine, column)
    elif column.days > 0.8 or column.clocks > 0.8:
        found -= 0.6
    allowed = codes_of(resource.name, mine)
    if allowed:
        found += _codes_say(mine, column, allowed)
    leads_to = _leads_to(resource).get(mine.name)
    if leads_to and ids.of.get(leads_to):
        found += _reference_says(column, ids.of[leads_to])
    if mine.name == "pole_id" and column.distinct < 0.3:
        found -= 0.6
    if mine.name in _SELDOM and column.full > 0.6:
        found -= 0.8
    if _KEYS.get(resource.name) == mine.name:
        found += _key_says(column, ids.wanted.get(resource.name, set()))
    return found


def _number_says(mine: Field, column: Column) -> float:
    if mine.name in ("longitude", "latitude"):
        decimals = sum("." in text or "," in text for text in column.filled)
        few = column.numbers > 0.9 and decimals > len(column.filled) / 2
        return 0.1 + 0.1 * few if column.numbers > 0.9 else -1.0
    if mine.name == "watts" and column.numbers <= 0.9:
        return 0.0 if column.starting_numbers > 0.6 else -1.0
    return 0.1 if column.numbers > 0.9 else -1.0


def _key_says(column: Column, wanted: set[str]) -> float:
    """Say whether rows may be known by a column: each value once, named by others."""
    found = 0.2 if column.is_unique else (0.0 if column.distinct > NEARLY else -1.0)
    if wanted and shared(wanted, column.filled.keys()) > 0.8:
        found += 0.5
    return found


NEARLY = 0.98
"""Share of different values from which a column nearly tells each row."""


def _reference_says(column: Column, ids: frozenset[str]) -> float:
    if column.is_unique and _is_a_run(column):
        return 0.0
    share = shared(column.filled.keys(), ids)
    if share > 0.8:
        few = len(column.filled) < 20 or column.numbers > 0.9
        return 0.5 if few else 0.65
    return -0.7 if share < 0.2 else 0.0


def _is_a_run(column: Column) -> bool:
    """Tell whether a column only counts the rows."""
    if not all(text.isascii() and text.isdigit() for text in column.filled):
        return False
    numbers = {*map(int, column.filled)}
    return max(numbers) - min(numbers) + 1 == len(numbers)


def _leads_to(resource: Resource) -> dict[str, str]:
    return {**resource.references, **_ALSO.get(resource.name, {})}


def _codes_say(mine: Field, column: Column, allowed: frozenset[str]) -> float:
    """Several codes that all are ours say it without a name; a yes or no does not."""
    share = _coded(column, allowed)
    if mine.name in _SPECIFIC and share > 0.6:
        return 0.4 + 0.25 * share
    if share <= 0.5:
        return -0.4 if share < 0.1 or len(column.filled) <= _MOST_CODES else 0.0
    telling = share > 0.95 and len(column.filled) > 1 and len(allowed) > 2
    return 0.65 if telling else 0.4 * share


def _matches(seen: Seen, resource: Resource, ids: Ids) -> dict[str, Match]:
    given = GIVEN.get(seen.shape or "", {}).get(resource.name, ())
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
    found = {
        mine[i].name: Match(seen.columns[j], float(taken[i, j]), float(names[i, j]))
        for i, j in pairs
        if taken[i, j] > 0
    }
    return _with_key(seen, resource, found)


_NUMBERED = {"id", "no", "key", "objectid", "fid", "globalid", "gid", "uid", "code",
             "tag", "asset", "facility", "ref", "serial"}  # fmt: skip


def _with_key(
    seen: Seen, resource: Resource, found: dict[str, Match]
) -> dict[str, Match]:
    """Take a column in which each value stands once, where the key's own repeats."""
    key = _KEYS.get(resource.name)
    pole = found.get("pole_id") if resource.name == "lights" else None
    if pole and pole.column.is_unique and (
        key not in found or counts_rows(found[key].column)
    ):  # fmt: skip
        return {n: m for n, m in found.items() if n != "pole_id"} | {"light_id": pole}
    if not key or (key in found and found[key].column.is_unique):
        return found
    used = {match.column.name for name, match in found.items() if name != key}
    free = [
        one
        for one in seen.columns
        if one.is_unique and one.name not in used and _may_be_key(one)
    ]
    if not free:
        return found
    named = max(free, key=lambda one: (column_likeness(one.name, key) > 0.6,
                                       _is_named_key(one), not counts_rows(one),
                                       len(one.name) < 12))  # fmt: skip
    if key in found and resource.name == "lights" and "pole_id" not in found:
        found["pole_id"] = found[key]
    like = column_likeness(named.name, key)
    if like > 0.6 or _is_named_key(named) or key in found:
        found[key] = Match(named, 0.7, min(like, 0.7))
    return found


def _is_named_key(column: Column) -> bool:
    return bool(_NUMBERED & {*words_of(column.name)})


def _may_be_key(column: Column) -> bool:
    """Dates, places and long texts are different in every row too."""
    texts = list(column.filled)[:200]
    decimal = column.numbers > 0.9 and any("." in text for text in texts)
    long = max(map(len, texts)) > 40
    return not (decimal or long or column.days > 0.5)


def _table_likeness(seen: Seen, resource: Resource, found: dict[str, Match]) -> float:
    return told(seen, resource.name, {n: one.likeness for n, one in found.items()})


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


Named = Mapping[tuple[str, str | None], str]
"""File, and sheet or layer (None: any), to the file of ours that it is said to be."""


def _said(seen: Seen, named: Named) -> str | None:
    return named.get((seen.file, seen.sheet), named.get((seen.file, None)))


def _assigned(
    tables: Sequence[Seen], ids: Ids, said: Named
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
    total = np.where(total >= ACCEPTED, total, 0.0)
    for i, seen in enumerate(tables):
        if name := _said(seen, said):
            total[i, :] = [_SURELY if one.name == name else 0.0 for one in named]
    pairs = zip(*linear_sum_assignment(total, maximize=True), strict=True)
    return {
        named[j].name: (tables[i], float(total[i, j]), columns[i][j])
        for i, j in pairs
        if total[i, j] > 0
    }


def _ids(found: Mapping[str, Mapping[str, Match]]) -> Ids:
    own = {
        name: frozenset(columns[_KEYS[name]].column.filled)
        for name, columns in found.items()
        if _KEYS.get(name) in columns
    }
    if "pole_id" in found.get("lights", {}):
        poles = found["lights"]["pole_id"].column.filled.keys()
        own["lights"] = own.get("lights", frozenset()) | poles
    wanted: dict[str, set[str]] = {}
    for name, columns in found.items():
        for column, to in _leads_to(resources()[name]).items():
            if column in columns and to != name:
                wanted.setdefault(to, set()).update(columns[column].column.filled)
    return Ids(own, wanted)


def _with_parts(found: dict[str, Match]) -> None:
    """Read the part, and what had failed, out of the text that says what was done."""
    for name, others in (("cause", ("component", "action")),
                         ("component", ("cause", "action"))):  # fmt: skip
        allowed = codes_of("repairs", ours("repairs")[name]) or frozenset()
        for other in others:
            column = found[other].column if other in found else None
            if name not in found and column and _coded(column, allowed) > 0.5:
                found[name] = Match(column, 0.7, 0.5)


def _with_ending(seen: Seen, found: dict[str, Match]) -> None:
    """Read how reports ended out of a status column beside the date of closing."""
    if "closed_at" in found and "closed_as" not in found:
        used = {match.column.name for match in found.values()}
        if column := says_how_it_ended(x for x in seen.columns if x.name not in used):
            found["closed_as"] = Match(column, 0.7, 0.5)


def _tag(tables: Mapping[str, tuple[Seen, float, dict[str, Match]]]) -> Column | None:
    """Return the column of the lights by which reports and repairs name them."""
    if "lights" not in tables:
        return None
    seen, _, columns = tables["lights"]
    others = [tables[name][0].columns for name in ("reports", "repairs")
              if name in tables]  # fmt: skip
    taken = {name: match.column for name, match in columns.items()}
    return named_by(seen.columns, taken, [one for named in others for one in named])


_SURELY = 100.0


def match(tables: Sequence[Seen], said: Named | None = None) -> dict[str, Matched]:
    """Say which table is most likely which file of ours, and which column which.

    Twice: once the tables are known, identifiers that lead from one to another say
    more than names do.
    """
    ids, tag = Ids(), None
    for _ in range(2):
        found = _assigned(tables, ids, said or {})
        tag = _tag(found)
        ids = _ids({name: columns for name, (_, _, columns) in found.items()})
        if tag:
            lights = ids.of.get("lights", frozenset()) | tag.filled.keys()
            ids = Ids({**ids.of, "lights": lights}, ids.wanted)
    made = {}
    for name in resources():
        if name in found:
            seen, likeness, columns = found[name]
            _with_times(seen, resources()[name], columns)
            if tag and name == "lights":
                columns.setdefault("pole_id", Match(tag, SURE, 0.5))
            if name == "repairs":
                _with_parts(columns)
            if name == "reports":
                _with_ending(seen, columns)
            by = tag if name == "lights" else None
            made[name] = Matched(seen, resources()[name], likeness, columns, by)
    return made
