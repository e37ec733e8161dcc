"""The column of a register by which others name its lights, where it is not the key."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from lightwatch.observations.likeness import column_likeness, tokens
from lightwatch.observations.looking import Column
from lightwatch.observations.numbering import shared

_MOST_OWN = 0.5
"""Share of their numbers that are the register's own from which these are meant."""

_LEAST = 0.8
"""Share of their numbers that must stand in a column for it to be meant."""

_LEAST_DISTINCT = 0.3
_NAMES = ("light_id", "pole_id")


def counts_rows(column: Column) -> bool:
    """Tell whether a column has the name of one that a program numbers by itself."""
    return bool({"objectid", "fid", "gid", "globalid", "rowid", "uid", "ogcfid"}
                & {*tokens(column.name), "".join(tokens(column.name))})  # fmt: skip


def _names_lights(column: Column) -> bool:
    """Tell whether a column of reports or repairs has the name of a light or a pole."""
    return any(
        column_likeness(column.name, one) > 0.6 for one in ("light_id", "pole_id")
    )


def _may_be_tag(column: Column) -> bool:
    if not column.filled or column.distinct < _LEAST_DISTINCT or column.days > 0.5:
        return False
    decimal = column.numbers > 0.9 and any("." in text for text in column.filled)
    return not decimal and not counts_rows(column)


def named_by(
    register: Iterable[Column], taken: Mapping[str, Column], others: Iterable[Column]
) -> Column | None:
    """Return the column of a register in which others' numbers of lights stand.

    Parameters
    ----------
    register
        Its columns.
    taken
        Those of them that are taken for one of ours, by our name.
    others
        Columns of other files; those that name lights or poles are looked at.
    """
    used = {column.name for column in taken.values()}
    free = [one for one in register if one.name not in used and _may_be_tag(one)]
    keys = [taken[name].filled for name in _NAMES if name in taken]
    own = frozenset(text for filled in keys for text in filled)
    best, found = _LEAST, None
    for theirs in filter(_names_lights, others):
        texts = theirs.filled.keys()
        if not texts or shared(texts, own) >= _MOST_OWN:
            continue
        for column in free:
            share = shared(texts, column.filled.keys())
            if share > best:
                best, found = share, column
    return found
