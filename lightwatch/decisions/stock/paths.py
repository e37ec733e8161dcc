"""Joint predictive paths: the standing parts, month by month, a thousand times.

On each path the terms of the hazard, the factors of batches, the shares of models and
the pace of programmes are drawn once; every month has its weather and its level. In a
month the parts used of a group are binomial, with the chance of the group's age mix;
the mix itself moves on by its expectation given the path, and its size by what was
drawn. A part fitted begins again at age zero. It leaves out that a part may be used
twice in a month, and the (small) extra variety of chances within a group; a test holds
it to the same city simulated part by part.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lightwatch.decisions.stock.terms import Floats, Ints

Whole = npt.NDArray[np.int64]

PART_OF_FIRST = 0.5
"""Part of the month in which it was fitted that a part hangs, on average."""

AT_ONCE = 125
"""Paths taken at a time, to stay in the cache."""


@dataclass(frozen=True)
class Groups:
    """Groups of alike parts of one kind: a model at a depot and a voltage.

    Parameters
    ----------
    standing
        Parts standing by month of birth, oldest first, groups by births; the last
        births are those to come.
    type, model, depot, volts
        Of each group: places in lists.
    to_group
        Group of (model fitted, depot, volts), -1 where there is none.
    births_to_come
        How many of the births lie ahead.
    """

    standing: Floats
    type: Ints
    model: Ints
    depot: Ints
    volts: Ints
    to_group: Ints
    births_to_come: int


@dataclass(frozen=True)
class Planned:
    """Parts of one group that a plan replaces in one month, the oldest births first.

    ``births`` is how many births, from the oldest, are old enough.
    """

    month: int
    group: int
    births: int
    number: float


@dataclass(frozen=True)
class Drawn:
    """What is drawn once a path.

    Parameters
    ----------
    rate
        Hazard by age [per month], paths by types by ages.
    level
        Factor of each group, paths by groups.
    batch
        Factor by group and birth, paths by groups by births, or None.
    month
        Factor of each month, paths by depots by months.
    shares
        Shares of models fitted, by group: paths by models.
    coming, going
        Parts a month by group that come and go otherwise, paths by groups by months.
    age_weight
        Factor on parts standing, paths by groups by births, or None: what is not known
        of their ages.
    """

    rate: Floats
    level: Floats
    batch: Floats | None
    month: Floats
    shares: list[Floats]
    coming: Floats
    going: Floats
    age_weight: Floats | None
    planned: tuple[Planned, ...] = ()


Draw = Callable[[slice, np.random.Generator], Drawn]
"""Draws what is unknown for a slice of the paths."""


def project(
    groups: Groups,
    draw: Draw,
    months: int,
    models: int,
    paths: int,
    rng: np.random.Generator,
    part_of_first_month: float = 1.0,
) -> Whole:
    """Draw the parts of one kind used in the months to come.

    Parameters
    ----------
    groups
        What stands.
    draw
        Draws what is unknown, for a slice of the paths.
    months, models, paths
        How many.
    rng
        Seeded generator.
    part_of_first_month
        What is left of the first month.

    Returns
    -------
    numpy.ndarray
        Parts used, paths by months by depots by models fitted.
    """
    made = []
    for at in range(0, paths, AT_ONCE):
        drawn = draw(slice(at, min(at + AT_ONCE, paths)), rng)
        made.append(_run(groups, drawn, months, models, rng, part_of_first_month))
    return np.concatenate(made)


def _begin(groups: Groups, drawn: Drawn) -> tuple[Floats, Whole]:
    """Return the age mix at the start, and how many stand."""
    paths = drawn.level.shape[0]
    mix = np.repeat(groups.standing[None], paths, axis=0)
    if drawn.age_weight is not None:
        mix *= drawn.age_weight
    count = np.rint(groups.standing.sum(axis=1)).astype(np.int64)
    _rescale(mix, np.broadcast_to(count, mix.shape[:2]))
    return mix, np.repeat(count[None], paths, axis=0)


def _rescale(mix: Floats, count: npt.NDArray[np.int64]) -> None:
    total = mix.sum(axis=2)
    mix *= np.where(total > 0, count / np.maximum(total, 1e-300), 0.0)[:, :, None]


def _fit_again(
    groups: Groups,
    drawn: Drawn,
    used: Whole,
    models: int,
    rng: np.random.Generator,
) -> tuple[Whole, Whole]:
    """Return the models fitted at each depot, and the parts that begin by group."""
    paths = used.shape[0]
    depots = int(groups.to_group.shape[1])
    fitted = np.zeros((paths, depots, models), np.int64)
    begun = np.zeros_like(used)
    for group in np.flatnonzero(used.any(axis=0)):
        shares = drawn.shares[group]
        if not shares.any():
            continue
        taken = rng.multinomial(used[:, group], shares)
        fitted[:, groups.depot[group]] += taken
        to = groups.to_group[:, groups.depot[group], groups.volts[group]]
        for model in np.flatnonzero(taken.any(axis=0) & (to >= 0)):
            begun[:, to[model]] += taken[:, model]
    return fitted, begun


def _run(
    groups: Groups,
    drawn: Drawn,
    months: int,
    models: int,
    rng: np.random.Generator,
    part: float,
) -> Whole:
    mix, count = _begin(groups, drawn)
    paths, _, births = mix.shape
    still = births - groups.births_to_come
    depots = groups.to_group.shape[1]
    made = np.zeros((paths, months, depots, models), np.int64)
    backward = np.ascontiguousarray(drawn.rate[:, :, ::-1])
    oldest = backward.shape[2] - 1
    for month in range(months):
        born = still + month
        length = part if month == 0 else 1.0
        factor = drawn.level * drawn.month[:, groups.depot, month] * length
        begin = oldest - born
        hazard = backward[:, groups.type, begin : begin + born]
        if month:
            hazard[:, :, -1] += PART_OF_FIRST * backward[:, groups.type, -1]
        hazard *= factor[:, :, None]
        if drawn.batch is not None:
            hazard *= drawn.batch[:, :, :born]
        standing = mix[:, :, :born]
        lost = standing * -np.expm1(-hazard)
        chance = lost.sum(axis=2) / np.maximum(count, 1)
        used = rng.binomial(count, np.clip(chance, 0.0, 1.0))
        standing -= lost
        count = count - used
        gone = np.minimum(rng.poisson(drawn.going[:, :, month] * length), count)
        count = count - gone
        _rescale(standing, count)
        count = count - _taken_by_plan(drawn.planned, month, standing)
        made[:, month], begun = _fit_again(groups, drawn, used, models, rng)
        begun = begun + rng.poisson(drawn.coming[:, :, month] * length)
        mix[:, :, born] = begun
        count = count + begun
    return made


def _taken_by_plan(planned: tuple[Planned, ...], month: int, mix: Floats) -> Whole:
    """Take out what a plan replaces this month; return how many of each group."""
    taken = np.zeros(mix.shape[:2], np.int64)
    for one in planned:
        if one.month != month:
            continue
        old = mix[:, one.group, : one.births]
        there = old.sum(axis=1)
        number = np.minimum(np.rint(one.number), np.floor(there)).astype(np.int64)
        old *= (1 - number / np.maximum(there, 1e-9))[:, None]
        taken[:, one.group] += number
    return taken
