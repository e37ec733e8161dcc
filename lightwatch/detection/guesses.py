"""How likely the first of two repairs of a light was a wrong guess.

Of two repairs of different parts of a light, one after the other, one of three things
is true:

* the second part failed later, by chance: that goes on at the same pace all year;
* both had failed when the first was mended: as often as chance brings another failure
  in the time that the first trouble lasted, and told of within weeks;
* the first part had not failed: a wrong guess, and the trouble is soon back.

The pairs of the later months, nearly all by chance, show how often, and to what parts,
chance does it. That fixes how many pairs the first two explain; the rest is wrong
guesses. It is a mixture of three, fitted by expectation and maximisation [1]_. In each,
these count as independent: how soon trouble was back, which part was mended first, its
age, how it was proven, what symptom was found and whether it was the same again, and
which report the second names. Ages and symptoms are those of the part: a light that
burns by day was not mended by a lamp. The report tells most where crews write it down:
the one that the first answered, too, or one from before it, and the first did not end
what was told. Where the first answered another of those, there were two troubles.
Where no visit is on record, how often the light was told of again counts instead.

References
----------
.. [1] A. P. Dempster, N. M. Laird, D. B. Rubin, J. R. Statist. Soc. B 39 (1977), 1-38;
   from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.detection.followed import EARLIER, FIRST_NAMES_NONE, LATER, SAME
from lightwatch.detection.marks import ANOTHER

PROVEN = ("cover_test", "seen_lit")

SOON_DAYS = 120.0
"""Nearly all that comes later is chance."""

LAST_DAYS = 400.0
"""So long after a repair is looked at [days]."""

USUAL_PER_DAY = 1.0 / 365
"""How often another part of a light, or its feed, is worked on by chance [1/day],
before any is seen; weighs as one year of a light. No source."""

USUAL_DAYS = 20.0
"""Mean time until a wrong guess shows; weighs as five. Common practice, no source."""

NOTICE_DAYS = 15.0
"""Mean time until the second of two failures is told of; weighs as five. No source."""

RARELY = 0.1
"""So much rarer, before any are seen: wrong guesses that are proven lit, show another
symptom, or were told of twice before; and chance that answers a report from before. No
source."""

_EDGES = np.array(
    [0.0, 3, 7, 14, 21, 28, 40, 50, 60, 80, 100, SOON_DAYS, 160, 220, LAST_DAYS]
)
_MARKS = ("part", "age", "proof", "symptom", "report", "times")
"""What is compared, as far as the pairs have it."""

_BY_PART = ("age", "symptom")
"""What is compared among repairs of the same part: lamps that fail are seldom young,
and a light that burns by day is not cured by a lamp."""

_WORTH = 5.0
_LIKE = 30.0
"""What all pairs show weighs so many against those of one sort; no source."""
_ROUNDS = 60
_A_NIGHT = 0.5
"""A trouble lasts no less [days]."""
_ENOUGH = 20
_FADES_PER_DAY = 0.0015
"""By how much chance has less left to do each day, before enough is seen."""

_AGAIN = (SAME, EARLIER + FIRST_NAMES_NONE)
_NOT_BY_CHANCE = (*_AGAIN, EARLIER)
_NOT_WRONG = (*PROVEN, EARLIER)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class _Chance:
    """How many pairs chance makes.

    Parameters
    ----------
    number
        Of those in which the second part failed later: at first [1/day].
    fades
        By how much less that is with each day [1/day].
    """

    number: float
    fades: float

    @classmethod
    def of(cls, days: Floats, weight: Floats, watched: Floats) -> _Chance:
        """Read it off the pairs of the later months, each so likely by chance."""
        late, span, fades = weight.sum(), LAST_DAYS - SOON_DAYS, _FADES_PER_DAY
        if late > _ENOUGH:
            middle = (days @ weight / late - SOON_DAYS) / span
            fades = max(0.0, 12 * (0.5 - middle) / span)
        fades = max(fades, 1e-9)
        until = np.clip(watched, SOON_DAYS, LAST_DAYS)
        seen = (np.exp(-fades * SOON_DAYS) - np.exp(-fades * until)).sum() / fades
        return cls(len(watched) * (late + 1.0) / (seen + 1 / USUAL_PER_DAY), fades)

    def later(self, days: Floats) -> Floats:
        """Return how many pairs to expect so many days apart [1/day]."""
        return np.asarray(self.number * np.exp(-self.fades * days))

    def both(self, days: Floats, waited: float, notice: float) -> Floats:
        """Return how many of parts that had both failed [1/day].

        ``waited``: for how long the first had been told of; ``notice``: mean time until
        the second is.
        """
        return np.asarray(self.number * waited / notice * np.exp(-days / notice))


@dataclass(frozen=True)
class _Mark:
    """Something that differs between the pairs: the word of each as a number.

    ``part``: the part mended first, as a number, where the words of parts differ; 0:
    they do not. ``later``, ``both``, ``wrong``: the shares of the words before any pair
    is seen.
    """

    code: Ints
    part: Ints
    later: Floats
    both: Floats
    wrong: Floats

    @classmethod
    def of(cls, said: pd.Series[str], part: Ints) -> _Mark:
        """Let what all pairs show be usual, but for words that tell."""
        code, words = pd.factorize(said)
        words = np.asarray(words, dtype=object)
        another = np.array([word.endswith(ANOTHER) for word in words], dtype=bool)
        share = np.bincount(code) / len(code)
        later = share * np.where(np.isin(words, _NOT_BY_CHANCE), RARELY, 1.0)
        wrong = share * np.where(np.isin(words, _NOT_WRONG) | another, RARELY, 1.0)
        both = later.copy()
        for first in ("", FIRST_NAMES_NONE):
            named = np.isin(words, (EARLIER + first, LATER + first))
            both[named] = later[named].mean() if named.any() else 0.0
        return cls(code, part, *(one / one.sum() for one in (later, both, wrong)))

    def log(self, usual: Floats, weight: Floats) -> Floats:
        """Return the logarithm of the share that each pair's word has."""
        all_parts = np.bincount(self.code, weight, len(usual)) + _LIKE * usual
        shape = int(self.part.max()) + 1, len(usual)
        cell = np.ravel_multi_index((self.part, self.code), shape)
        of_part = np.bincount(cell, weight, shape[0] * shape[1]).reshape(shape)
        of_part += _LIKE * all_parts / all_parts.sum()
        share = of_part / of_part.sum(axis=1, keepdims=True)
        return np.asarray(np.log(share)[self.part, self.code])


def wrongly(pairs: pd.DataFrame, watched: Floats) -> Floats:
    """Return the chance that the first of each pair was a wrong guess.

    To begin with, those are it whose second repair answers what was told before the
    first.

    Parameters
    ----------
    pairs, watched
        From :func:`lightwatch.detection.followed.followed` or
        :func:`lightwatch.detection.returned.returned`; at least one pair, none
        ``LAST_DAYS`` apart or more.
    """
    days = pairs["days"].to_numpy(float)
    waited = max(float(pairs["waited"].mean()), _A_NIGHT)
    late = (days >= SOON_DAYS).astype(float)
    part, _ = pd.factorize(pairs["part"])
    marks = {
        name: _Mark.of(pairs[name], part if name in _BY_PART else 0 * part)
        for name in _MARKS
        if name in pairs
    }
    wrong, both = _answered_again(pairs), np.zeros(len(days))
    chance = _Chance.of(days, late * (1.0 - wrong), watched)
    number = max(_beyond(chance, days, waited), wrong.sum())
    for _ in range(_ROUNDS):
        left = late * (1.0 - wrong)
        chance = _Chance.of(days, left, watched)
        notice = (both @ days + _WORTH * NOTICE_DAYS) / (both.sum() + _WORTH)
        log = np.log(
            [
                chance.later(days),
                chance.both(days, waited, notice),
                number * _back(days, wrong),
            ]
        )
        for name, mark in marks.items():
            by_chance = mark.log(mark.later, left)
            told = mark.log(mark.both, both) if name == "report" else by_chance
            log += by_chance, told, mark.log(mark.wrong, wrong)
        likely = np.exp(log - log.max(axis=0))
        _, both, wrong = likely / likely.sum(axis=0)
        number = wrong.sum() + 0.5
    return np.asarray(wrong)


def _answered_again(pairs: pd.DataFrame) -> Floats:
    """Return 1 for pairs whose second answers what the first seemed to answer."""
    if "report" not in pairs:
        return np.zeros(len(pairs))
    return np.asarray(pairs["report"].isin(_AGAIN).to_numpy(float))


def _beyond(chance: _Chance, days: Floats, waited: float) -> float:
    """Return how many pairs of the first months chance does not explain; at least 1."""
    each = np.arange(0.5, SOON_DAYS)
    due = chance.later(each) + chance.both(each, waited, NOTICE_DAYS)
    return max(float((days < SOON_DAYS).sum() - due.sum()), 1.0)


def _back(days: Floats, wrong: Floats) -> Floats:
    """Return how soon wrong guesses show: the density at the days of each [1/day]."""
    width = np.diff(_EDGES)
    band = np.searchsorted(_EDGES, days, side="right") - 1
    band = np.clip(band, 0, len(width) - 1)
    usual = -np.diff(np.exp(-_EDGES / USUAL_DAYS))
    counts = np.bincount(band, wrong, len(width)) + _WORTH * usual / usual.sum()
    return np.asarray((counts / counts.sum() / width)[band])
