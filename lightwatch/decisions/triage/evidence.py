"""Weigh what was observed of a light, were it dark since such a night, or lit.

Everything counts: that it was reported, that it was not though its neighbours were,
that a patrol passed and noted nothing, that a crew saw it work. Rates, not thresholds,
weigh it: a light that is dark is first reported at its rate of reports, a light that is
not at a small one (false reports, another light's).

References
----------
.. [1] The likelihood of reports: first events of Poisson processes; P(reported within
   t nights) = 1 - exp(-rate t).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from lightwatch.decisions.triage.priors import SAME_CALLER

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

_FINE_NIGHTS, _FINE = 1.5, 20
_COARSER, _COARSE = 1.25, 12


def night_edges() -> Floats:
    """Return the edges of the onset bins, as nights before now, oldest first.

    Nights and a half for a month, then wider and wider, over a year back.
    """
    fine = _FINE_NIGHTS * np.arange(_FINE + 1)
    coarse = fine[-1] * _COARSER ** np.arange(1, _COARSE + 1)
    return np.concatenate([fine, coarse])[::-1]


@dataclass(frozen=True)
class Lights:
    """What is known of n lights; every age is in nights before the time of judging.

    Parameters
    ----------
    since
        Age of the last work on the light or its feed; what was reported before it is
        answered; infinite if there was none.
    slip
        Chance that it was left dark by that work.
    told
        Age of the first report since of a dark light; NaN if there was none.
    told_shared, told_own
        Chance that who reports it says it in this way, if lights share the fault, and
        if they do not.
    own_per_night
        Hazard of going dark by a component of its own.
    report_per_night, first_per_night, later_per_night
        Rate of first reports: dark alone; dark with others, of whom none is reported
        yet; and thereafter.
    begun
        Age of the first report of any light that may share its fault; 0 for none.
    false_per_night
        Rate of reports of it, so worded, while it is lit.
    silent
        Age up to which silence tells nothing, as reports are on record no further.
    waited
        Log of the chance that what was told of is open still, dark by itself or lit,
        against that of a feed's fault; 0 where nothing was told.
    at_once
        It was told of in one breath with another light near it.
    """

    since: Floats
    slip: Floats
    told: Floats
    told_shared: Floats
    told_own: Floats
    own_per_night: Floats
    report_per_night: Floats
    first_per_night: Floats
    later_per_night: Floats
    begun: Floats
    false_per_night: Floats
    silent: Floats
    waited: Floats
    at_once: Flags


@dataclass(frozen=True)
class Again:
    """Further reports of lights already reported, one a night: m of them.

    Parameters
    ----------
    light
        Which of the n lights.
    age
        Nights before the time of judging.
    """

    light: Ints
    age: Floats


NEVER_AGAIN = Again(np.zeros(0, dtype=np.int64), np.zeros(0))


@dataclass(frozen=True)
class Looks:
    """Looks at lights by patrols and crews: m of them.

    Parameters
    ----------
    light
        Which of the n lights.
    age
        Nights before the time of judging.
    noted
        It was noted as dark.
    hit, wrong
        Chances that a dark light is noted, and that one is that is lit.
    """

    light: Ints
    age: Floats
    noted: Flags
    hit: Floats
    wrong: Floats

    @classmethod
    def joined(cls, parts: Sequence[Looks]) -> Looks:
        """Put looks together."""
        return cls(
            *(
                np.concatenate([getattr(part, one.name) for part in parts])
                for one in fields(cls)
            )
        )

    def chosen(self, which: Flags) -> Looks:
        """Return some of them."""
        return Looks(*(getattr(self, one.name)[which] for one in fields(self)))


@dataclass(frozen=True)
class LightEvidence:
    """Likelihoods of n lights.

    Parameters
    ----------
    shared
        Shape (n, K): log-likelihood ratio of a shared darkness since bin k, against
        none; its own failures are summed over on both sides.
    own_if_fed
        Shape (n,): chance that it is dark by itself, if its feed is live.
    false_if_fed
        Shape (n,): chance that it is lit though it was reported, if its feed is live.
    """

    shared: Floats
    own_if_fed: Floats
    false_if_fed: Floats


def _dark_before(top: Floats, bottom: Floats, age: Floats) -> Floats:
    """Return the share of onsets, even between two ages, that came before an age."""
    width = np.maximum(top - bottom, 1e-9)
    share: Floats = np.clip((top - np.maximum(bottom, age)) / width, 0.0, 1.0)
    return share


def _nights_dark(top: Floats, bottom: Floats, until: Floats) -> Floats:
    """Return the mean nights dark until an age, for onsets even between two ages."""
    lowest = np.maximum(bottom, until)
    nights: Floats = _dark_before(top, bottom, until) * np.maximum(
        (top + lowest) / 2 - until, 0.0
    )
    return nights


def _looked(looks: Looks, top: Floats, bottom: Floats, n: int) -> tuple[Floats, Floats]:
    """Return the log-likelihood of the looks, dark since each bin and lit."""
    hit, lit = looks.hit[:, None], looks.wrong[:, None]
    age = looks.age[:, None]
    dark = _dark_before(top[looks.light], bottom[looks.light], age)
    noted = dark * hit + (1 - dark) * lit
    chance = np.log(np.where(looks.noted[:, None], noted, 1 - noted))
    total = np.zeros((n, top.shape[1]))
    np.add.at(total, looks.light, chance)
    never = np.zeros(n)
    wrong = np.where(looks.noted, looks.wrong, 1 - looks.wrong)
    np.add.at(never, looks.light, np.log(wrong))
    return total, never


def _told_again(again: Again, lights: Lights, top: Floats, bottom: Floats) -> Floats:
    """Return the log-likelihood of further reports, dark since each bin, against lit.

    Whoever tells of a light that is lit errs anew, at the rate of false reports, or
    repeats what was told before, as likely if it is dark. So a further report never
    speaks for a light that is lit, nor more than ``SAME_CALLER`` allows against it.
    """
    at = again.light
    false = lights.false_per_night[at, None]
    pace = lights.report_per_night[at, None]
    pace = pace * _dark_before(top[at], bottom[at], again.age[:, None])
    anew = false / (false + pace)
    total = np.zeros(top.shape)
    np.add.at(total, at, -np.log(SAME_CALLER + (1 - SAME_CALLER) * anew))
    return total


def weigh(
    lights: Lights, looks: Looks, edges: Floats, again: Again = NEVER_AGAIN
) -> LightEvidence:
    """Weigh what was observed of each light.

    Parameters
    ----------
    lights
        n lights.
    looks
        Looks at them since they were last worked on.
    edges
        Shape (K + 1,): edges of the onset bins, in nights before now, oldest first.
    again
        Further reports of lights that were reported.
    """
    n = len(lights.since)
    since = np.minimum(lights.since, edges[0])[:, None]
    older, newer = edges[None, :-1], edges[None, 1:]
    # Columns: onset in each bin but not before the last work, then at that work.
    top = np.concatenate([np.minimum(older, since), since], axis=1)
    bottom = np.concatenate([np.minimum(newer, since), since - 1e-6], axis=1)
    told = lights.told[:, None]
    reported = np.isfinite(lights.told)
    until = np.where(reported[:, None], told, lights.silent[:, None])
    before = np.where(reported[:, None], _dark_before(top, bottom, until), 0.0)
    dark_nights = _nights_dark(top, bottom, until)
    looked, looked_lit = _looked(looks, top, bottom, n)
    looked += _told_again(again, lights, top, bottom)
    false = lights.false_per_night[:, None]
    lit = np.where(reported, np.log(false[:, 0]), 0.0) + looked_lit + lights.waited

    def since_bin(pace: Floats, silence: Floats) -> Floats:
        said = np.where(reported[:, None], np.log(pace[:, None] * before + false), 0.0)
        seen: Floats = said - silence + looked
        return seen

    alone = since_bin(
        lights.report_per_night * lights.told_own,
        lights.report_per_night[:, None] * dark_nights,
    )
    alone += lights.waited[:, None]
    begun = lights.begun[:, None]
    unheard = _nights_dark(top, bottom, np.maximum(until, begun))
    later = lights.later_per_night[:, None] * (dark_nights - unheard)
    pace = np.where(
        lights.told >= lights.begun, lights.first_per_night, lights.later_per_night
    )
    # Who names several at once does not think that another has told.
    pace = np.where(lights.at_once, lights.report_per_night, pace)
    shared = since_bin(
        pace * lights.told_shared, lights.first_per_night[:, None] * unheard + later
    )
    return _against_none(lights, edges, alone, shared[:, :-1], lit)


def _against_none(
    lights: Lights, edges: Floats, alone: Floats, shared: Floats, lit: Floats
) -> LightEvidence:
    """Sum over the light's own failures, with the feed dark since k and live."""
    since = lights.since[:, None]
    older, newer = edges[None, :-1], edges[None, 1:]
    width = np.clip(np.minimum(older, since) - newer, 0.0, None)
    chance = np.minimum(lights.own_per_night[:, None] * width, 0.5)
    slip = np.where(np.isfinite(lights.since), lights.slip, 0.0)[:, None]
    with np.errstate(divide="ignore"):
        own = np.log(chance) + alone[:, :-1]
        left = np.log(slip[:, 0]) + alone[:, -1]
    none = np.log(np.maximum(1 - chance.sum(axis=1) - slip[:, 0], 1e-3)) + lit
    dark = np.logaddexp(np.logaddexp.reduce(own, axis=1), left)
    fed = np.logaddexp(none, dark)
    first = np.full((len(own), 1), -np.inf)
    earlier = np.concatenate([first, np.logaddexp.accumulate(own, axis=1)], axis=1)
    spent = np.cumsum(chance, axis=1) - chance
    worked = _dark_before(older, newer, since)
    after = np.where(worked < 1, left[:, None], -np.inf)
    earlier = np.logaddexp(earlier[:, :-1], after)
    was_lit = np.log(worked * slip + (1 - worked))
    still = np.log(np.maximum(1 - spent - slip * (worked < 1), 1e-3))
    both = np.logaddexp(earlier, still + was_lit + shared)
    reported = np.isfinite(lights.told)
    return LightEvidence(
        shared=both - fed[:, None],
        own_if_fed=np.exp(dark - fed),
        false_if_fed=np.where(reported, np.exp(none - fed), 0.0),
    )
