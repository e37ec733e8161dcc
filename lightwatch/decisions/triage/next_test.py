"""Where to test first: the check that tells most for its minutes.

A test at the far end of a section says live or dead. If dead, the fault is on the way
from the source to it; if live, beyond or beside. The gain is the mutual information of
the reading and the fault (Shannon 1948): the entropy of a reading that errs, less that
of its errors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import entr

SOURCE = "source"

WRONG_READING = 0.005
"""Chance that a reading is wrong: of another pole, of a neighbour's phase, of a cable
that shows voltage while unloaded; with a tester proved before and after. No source."""

RIGHT = 1 - WRONG_READING

SOURCE_MINUTES = 6.0
SECTION_MINUTES = 10.0
"""To reach, open and test a cabinet, and a pole or handhole; common practice, no
source."""

SURE, SURE_BETWEEN = 0.95, 0.9
"""A section as likely as this needs no further test before it is opened; the second
where it was read live before it and dead at its far end."""

Ways = Mapping[str, tuple[str, ...]]


@dataclass(frozen=True)
class Check:
    """A test at the far end of a section, or at the source.

    ``dead`` is the probability of that reading, ``bits`` what the test tells.
    """

    place: str
    dead: float
    bits: float


def entropy_bits(chance: float) -> float:
    """Return the entropy of a coin of this chance [bit].

    >>> entropy_bits(0.5)
    1.0
    """
    return float((entr(chance) + entr(1 - chance)) / np.log(2))


def gain_bits(dead: float, right: float = RIGHT) -> float:
    """Return what a test tells that reads dead with this chance [bit].

    Parameters
    ----------
    dead
        Probability that the place is dead.
    right
        Probability that the reading is right.
    """
    read = right * dead + (1 - right) * (1 - dead)
    return entropy_bits(read) - entropy_bits(right)


def dead_share(chances: Mapping[str, float], ways: Ways, place: str) -> float:
    """Return the probability that a place is dead, if there is one fault."""
    on_the_way = {place, SOURCE, *ways.get(place, ())}
    total = sum(chances.values())
    return sum(chances.get(one, 0.0) for one in on_the_way) / total


def best_check(
    chances: Mapping[str, float],
    ways: Ways,
    settled: frozenset[str] = frozenset(),
    others: Sequence[str] = (),
) -> Check | None:
    """Return the test that tells most per minute; None where none tells anything.

    Parameters
    ----------
    chances
        By section (and ``source``), how likely the fault is there; of one fault.
    ways
        For each section the sections from it to the source, itself first.
    settled
        Places that are not asked: read already, or could not be opened.
    others
        Sections that are no candidates, at whose far ends a test may be made too.
    """
    best: tuple[float, Check] | None = None
    for place in (*chances, *others):
        if place in settled:
            continue
        dead = dead_share(chances, ways, place)
        check = Check(place, dead, gain_bits(dead))
        minutes = SOURCE_MINUTES if place == SOURCE else SECTION_MINUTES
        worth = check.bits / minutes
        if check.bits > 1e-6 and (best is None or worth > best[0] + 1e-12):
            best = worth, check
    return best[1] if best else None


def after(
    chances: Mapping[str, float], ways: Ways, place: str, dead: bool
) -> dict[str, float]:
    """Return where the fault may be after an unerring reading, chances summing to 1."""
    on_the_way = {place, SOURCE, *ways.get(place, ())}
    left = {one: p for one, p in chances.items() if (one in on_the_way) == dead}
    total = sum(left.values())
    return {one: p / total for one, p in left.items()} if total else {}


def checks_needed(
    chances: Mapping[str, float],
    ways: Ways,
    sure: float = SURE,
    settled: frozenset[str] = frozenset(),
    others: Sequence[str] = (),
) -> float:
    """Return how many tests it takes on average to name the section.

    Each is the best by then, and read rightly; the last is when one section is left
    or is as likely as ``sure``.
    """
    total = sum(chances.values())
    if len(chances) <= 1 or max(chances.values()) >= sure * total:
        return 0.0
    check = best_check(chances, ways, settled, others)
    if check is None:
        return 0.0
    needed = 1.0
    for dead, chance in ((True, check.dead), (False, 1 - check.dead)):
        if chance > 1e-9:
            left = after(chances, ways, check.place, dead)
            needed += chance * checks_needed(left, ways, sure, settled, others)
    return needed
