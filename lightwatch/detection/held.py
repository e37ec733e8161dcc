"""Repairs that did not hold: the part replaced was not the one that had failed.

When a light is in trouble again soon after a repair, and another part is then replaced
or its feed mended, the first part may have been a wrong guess. Or both had failed, one
after the other. What comes by chance goes on at the same pace all year; wrong guesses
come back within weeks. So the pairs of the later months show how often, and to what
parts, chance does it, and what comes sooner beyond that is wrong guesses: a mixture of
two, of which the first is read off the later months and the second is fitted by
expectation and maximisation [1]_. In each, how soon trouble was back, which part it
was, its age, how it was proven, and whether it showed the same symptom count as
independent. A repair did not hold where a wrong guess is likelier than not.

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

from lightwatch.detection.followed import NOT_A_FAULT, followed
from lightwatch.register import Register
from lightwatch.register.once import once

__all__ = ["NOT_A_FAULT", "PROVEN", "unheld", "wrong_guesses"]

SOON_DAYS = 120.0
"""Trouble that is back later is chance."""

LAST_DAYS = 400.0
"""Chance is counted from there to here [days]."""

LIKELY = 0.5
"""A repair did not hold where a wrong guess is as likely as this."""

PROVEN = ("cover_test", "seen_lit")

USUAL_PER_DAY = 1.0 / 365
"""How often another part of a light, or its feed, is worked on by chance [1/day],
before any is seen; weighs as one year of a light. No source."""

USUAL_DAYS = 20.0
"""Mean time until a wrong guess shows; weighs as five. Common practice, no source."""

NOTICE_DAYS = 15.0
"""Mean time until a light left dark is told of again; no source."""

RARELY = 0.1
"""So much rarer wrong guesses are proven lit, or show another symptom, before any are
seen; no source."""

_EDGES = np.array([0.0, 3, 7, 14, 21, 28, 40, 50, 60, 80, 100, SOON_DAYS])
_MARKS = ("part", "age", "proof", "symptom")
_WORTH = 5.0
_LIKE = 30.0
"""What all pairs show weighs so many against those of one sort; no source."""
_ROUNDS = 40
_ENOUGH = 20
_FADES_PER_DAY = 0.0015
"""By how much chance has less left to do each day, before enough is seen."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Chance:
    """How often another part is worked on by chance, so many days after a repair.

    Parameters
    ----------
    per_day
        At first [1/day].
    fades
        By how much less it is with each day [1/day].
    both
        Repairs that come because both parts had failed when the first was mended, as
        days of chance.
    """

    per_day: float
    fades: float
    both: float

    def at(self, days: Floats) -> Floats:
        """Return the density at so many days [1/day]."""
        more = self.both / NOTICE_DAYS * np.exp(-days / NOTICE_DAYS)
        return np.asarray(self.per_day * np.exp(-self.fades * days) * (1 + more))

    @classmethod
    def of(cls, late: Floats, watched: Floats, both: float) -> _Chance:
        """Read it off the pairs of the later months."""
        span = LAST_DAYS - SOON_DAYS
        fades = _FADES_PER_DAY
        if len(late) > _ENOUGH:
            middle = (late.mean() - SOON_DAYS) / span
            fades = max(0.0, 12 * (0.5 - middle) / span)
        fades = max(fades, 1e-9)
        until = np.clip(watched, SOON_DAYS, LAST_DAYS)
        days = (np.exp(-fades * SOON_DAYS) - np.exp(-fades * until)).sum() / fades
        return cls((len(late) + 1.0) / (days + 1 / USUAL_PER_DAY), fades, both)


def _shares(code: NDArray[np.int64], weight: Floats, prior: Floats) -> Floats:
    counts = np.bincount(code, weight, len(prior)) + _LIKE * prior
    return np.asarray(counts / counts.sum())


def _wrongly(pairs: pd.DataFrame, watched: Floats) -> Floats:
    """Return the chance that the first of each pair was a wrong guess."""
    days = pairs["days"].to_numpy(float)
    late, soon = days >= SOON_DAYS, days < SOON_DAYS
    chance = _Chance.of(days[late], watched, float(pairs["waited"].mean()))
    by_chance = np.log(chance.at(days) * len(watched))
    marks, usual = [], []
    for name in _MARKS:
        code, words = pd.factorize(pairs[name])
        share = np.bincount(code, minlength=len(words)) / len(pairs)
        shares = _shares(code, late.astype(float), share)
        by_chance += np.log(shares)[code]
        rare = np.isin(np.asarray(words, dtype=object), (*PROVEN, "other"))
        like = share * np.where(rare, RARELY, 1.0)
        marks.append(code)
        usual.append(like / like.sum())
    grid = np.arange(0.5, SOON_DAYS)
    wrong = max(soon.sum() - chance.at(grid).sum() * len(watched), 1.0)
    return _fitted(days, by_chance, soon, marks, usual, wrong)


def _fitted(
    days: Floats,
    by_chance: Floats,
    soon: NDArray[np.bool_],
    marks: list[NDArray[np.int64]],
    usual: list[Floats],
    wrong: float,
) -> Floats:
    """Fit the wrong guesses; return the chance of each pair to be one."""
    width = np.diff(_EDGES)
    band = np.clip(np.searchsorted(_EDGES, days, side="right") - 1, 0, len(width) - 1)
    back = -np.diff(np.exp(-_EDGES / USUAL_DAYS))
    back /= back.sum()
    first, shares = back, usual
    chance = np.zeros(len(days))
    for _ in range(_ROUNDS):
        log = np.log(wrong * back / width)[band]
        for code, share in zip(marks, shares, strict=True):
            log += np.log(share)[code]
        odds = np.clip(by_chance - log, -50, 50)
        chance = np.where(soon, 1 / (1 + np.exp(odds)), 0.0)
        wrong = chance.sum() + 0.5
        back = np.bincount(band, chance, len(width)) + _WORTH * first
        back /= back.sum()
        shares = [
            _shares(code, chance, like) for code, like in zip(marks, usual, strict=True)
        ]
    return chance


@once
def wrong_guesses(register: Register) -> pd.Series[float]:
    """Return the chance that each repair at a light changed a part that had not failed.

    By position in ``known.repairs``; one that no work on another part followed within
    the year is not there.
    """
    pairs, watched = followed(register)
    pairs = pairs[pairs["days"] < LAST_DAYS]
    chance = pd.Series(0.0, pairs.index)
    for feed in (False, True):
        some = pairs[pairs["feed"] == feed]
        if len(some):
            chance[some.index] = _wrongly(some, watched)
    return chance.groupby(pairs["repair"]).max()


@once
def unheld(register: Register) -> set[int]:
    """Return the repairs that did not hold, by position in ``known.repairs``.

    Parameters
    ----------
    register
        The register as known on a day; nothing recorded later is looked at.
    """
    chance = wrong_guesses(register)
    return {int(one) for one in chance.index[chance >= LIKELY]}
