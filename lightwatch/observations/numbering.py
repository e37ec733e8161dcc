"""How the numbers of one office's lists are made those of another's."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from functools import cache, lru_cache

from lightwatch.observations.texts import Trim
from lightwatch.observations.tomltext import quoted

_SIGNS = (",", ";", "/", "&", "+", " and ")
_FEW = 3
"""Cells with several known numbers from which they are taken for that."""


@lru_cache(64)
def _bare_numbers(ids: frozenset[str]) -> set[str]:
    return {bare_number(one) for one in ids}


@cache
def bare_number(text: str) -> str:
    """Return a number without a prefix of letters and leading zeros.

    Examples
    --------
    >>> bare_number("SL-00123"), bare_number("123"), bare_number("A-12-4")
    ('123', '123', '12-4')
    """
    return re.sub(r"^[^0-9]*0*(?=[0-9])", "", text) or text


def shared(names: Collection[str], ids: Collection[str]) -> float:
    """Return the share of names that are in a list, prefixes and zeros aside."""
    if not names:
        return 0.0
    plain = sum(name in ids for name in names)
    if plain > 0.8 * len(names):
        return plain / len(names)
    bare = _bare_numbers(frozenset(ids))
    loose = sum(bare_number(name) in bare for name in names)
    return max(plain, 0.95 * loose) / len(names)


def several_in_a_cell(texts: Sequence[str], ids: Collection[str]) -> list[str]:
    """Return the signs between numbers where cells name several lights."""
    bare = {bare_number(one) for one in ids}
    found = []
    for sign in _SIGNS:
        cells = [text for text in texts if sign in text and text not in ids]
        several = sum(
            all(bare_number(part.strip()) in bare for part in text.split(sign))
            for text in cells
        )
        if several >= _FEW or (several and several == len(cells)):
            found.append(sign)
    return found


def _front(texts: Sequence[str]) -> str:
    """Return the letters and signs with which all texts begin."""
    fronts = {re.split(r"[0-9]", text)[0] for text in texts}
    return fronts.pop() if len(fronts) == 1 else ""


def trim_between(theirs: Sequence[str], ids: Collection[str]) -> str | None:
    """Say how their numbers are trimmed to be the register's; None: no way is known.

    Examples
    --------
    >>> trim_between(["SL-001", "SL-002"], {"1", "2", "13"})
    'off_front = "SL-", without_zeros = true'
    >>> trim_between(["1", "13"], {"P001", "P013"})
    'without_zeros = true, width = 3, put_before = "P"'
    """
    off, before = _front(theirs), _front(sorted(ids))
    lengths = {len(one) - len(before) for one in ids}
    width = lengths.pop() if len(lengths) == 1 else 0
    ways = [
        Trim(off_front=off, put_before=before),
        Trim(off_front=off, put_before=before, without_zeros=True),
        Trim(off_front=off, put_before=before, without_zeros=True, width=width),
    ]
    shares = [sum(way(text) in ids for text in theirs) for way in ways]
    best = max(range(len(ways)), key=lambda i: (shares[i], -i))
    if shares[best] < 0.5 * len(theirs):
        return None
    said = {n: v for n, v in vars(ways[best]).items() if v != getattr(Trim(), n)}
    return ", ".join(f"{name} = {_toml(value)}" for name, value in said.items())


def _toml(value: str | bool | int) -> str:
    return quoted(value) if isinstance(value, str) else str(value).lower()
