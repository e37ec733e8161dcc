"""What is drawn once a path, or once a month, from what was fitted of a kind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.decisions.stock.flows import STREAMS
from lightwatch.decisions.stock.kinds import KindModel
from lightwatch.decisions.stock.terms import HARMONICS, LEVEL_SD, Floats, remembers
from lightwatch.decisions.stock.thin import draw_rate
from lightwatch.decisions.stock.wear import Wear

THIN_MONTH_SD = 0.2
"""Spread of months where too few parts were used to see it [log]."""


@dataclass(frozen=True)
class Ahead:
    """What all kinds share: the months to come, and what is drawn once a path.

    Parameters
    ----------
    first_month
        Month of the forecast, counted from January 1970.
    months
        How many.
    part_of_first
        What is left of the first of them.
    paths
        How many.
    weather
        Days beyond the usual, paths by depots by months by covariates.
    pace
        By stream: standard normal draws, one a path.
    lively
        By stream: factor on the pace of each month (a plan, a scenario).
    """

    first_month: int
    months: int
    part_of_first: float
    paths: int
    weather: Floats
    pace: dict[str, Floats]
    lively: dict[str, Floats]


def fixed_terms(wear: Wear, paths: int, rng: np.random.Generator) -> Floats:
    """Draw the terms but those of past months, paths by terms."""
    kept = np.arange(wear.layout.part("month").start)
    middle, cov = wear.terms[kept], wear.covariance[np.ix_(kept, kept)]
    root = np.linalg.cholesky(cov + 1e-12 * np.eye(kept.size))
    made = np.zeros((paths, wear.layout.width))
    made[:, kept] = middle + rng.standard_normal((paths, kept.size)) @ root.T
    return made


def months_factor(
    wear: Wear, ahead: Ahead, terms: Floats, some: slice, rng: np.random.Generator
) -> Floats:
    """Draw the factor of each month to come, paths by depots by months."""
    layout, paths = wear.layout, terms.shape[0]
    calendar = ahead.first_month + np.arange(ahead.months)
    season = terms[:, layout.part("season")] @ layout.season(calendar).T
    weather = ahead.weather[some]
    log = np.repeat(season[:, None], layout.depots, axis=1)
    if layout.sizes["depot_season"]:
        first = layout.season(calendar)[:, ::HARMONICS]
        own = terms[:, layout.part("depot_season")].reshape(len(terms), -1, 2)
        log = log + own @ first.T
    if weather.shape[3]:
        log = log + np.einsum("sdtc,sc->sdt", weather, terms[:, layout.part("weather")])
    spreads = wear.spreads
    loose = np.sqrt(spreads.worth / rng.chisquare(spreads.worth, paths))[:, None, None]
    town = rng.standard_normal((paths, 1, ahead.months)) * spreads.month * loose
    apart = rng.standard_normal(log.shape) * spreads.depot_month * loose
    log = log + _drift(wear, terms, ahead.months, rng)[:, None]
    return np.asarray(np.exp(log + town + (apart if layout.depots > 1 else 0.0)))


def _drift(wear: Wear, terms: Floats, months: int, rng: np.random.Generator) -> Floats:
    """Draw how the level drifts on from where it stands, paths by months."""
    keeps = remembers(1.0)
    fresh = wear.spreads.drift * np.sqrt(1 - keeps**2)
    now = terms[:, wear.layout.part("drift").stop - 1]
    made = np.empty((len(now), months))
    for month in range(months):
        now = keeps * now + fresh * rng.standard_normal(len(now))
        made[:, month] = now
    return made


def moving(
    model: KindModel, tables: dict[str, pd.DataFrame], ahead: Ahead, some: slice
) -> Floats:
    """Return parts a month that come, or go, paths by groups by months."""
    groups, names = model.stands.groups, model.names
    key = {
        (names.models[m], names.depots[d], model.stands.volts[v]): i
        for i, (m, d, v) in enumerate(
            zip(groups.model, groups.depot, groups.volts, strict=True)
        )
    }
    paths = len(range(*some.indices(ahead.paths)))
    made = np.zeros((paths, groups.model.size, ahead.months))
    for stream in STREAMS:
        table, spread = tables[stream], model.flows.pace_sd[stream]
        level = np.zeros(groups.model.size)
        for row in table.itertuples():
            at = key.get((row.model, row.depot, row.volts_class))
            if at is not None:
                level[at] += row.per_month
        pace = np.exp(ahead.pace[stream][some] * spread)
        by_path = pace[:, None, None] * level[None, :, None]
        made += by_path * ahead.lively[stream][None, None]
    return made


def batch(
    model: KindModel, ahead: Ahead, paths: int, rng: np.random.Generator
) -> Floats | None:
    """Draw the factor of each batch, paths by groups by births; None if alike."""
    if model.batches is None or model.batches.shape is None:
        return None
    groups = model.stands.groups
    births = groups.standing.shape[1]
    first = ahead.first_month - (births - ahead.months)
    year = (first + np.arange(births)) // 12
    years = range(int(year[0]), int(year[-1]) + 1)
    drawn = model.batches.draw(list(model.names.models), years, paths, rng)
    return np.asarray(drawn[:, groups.model[:, None], (year - year[0])[None, :]])


def by_age(
    model: KindModel, ahead: Ahead, some: slice, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """Draw hazard by age, level of each group and factor of each month."""
    groups, births = model.stands.groups, model.stands.groups.standing.shape[1]
    paths = len(range(*some.indices(ahead.paths)))
    wear = model.wear
    if wear is None:
        rate = draw_rate(model.used, model.unit_months, paths, rng)
        levels = rng.standard_normal((paths, len(model.names.models)))
        level = np.exp(LEVEL_SD["model"] * levels[:, groups.model])
        month = rng.standard_normal((paths, 1, ahead.months)) * THIN_MONTH_SD
        types = len(model.names.types)
        depots = len(model.names.depots)
        return (
            np.broadcast_to(rate[:, None, None], (paths, types, births)),
            level,
            np.exp(np.repeat(month, depots, axis=1)),
        )
    terms = fixed_terms(wear, paths, rng)
    ages = np.arange(births)
    rate = np.stack(
        [
            np.exp(terms @ wear.layout.ages(ages, of_type).T)
            for of_type in range(len(model.names.types))
        ],
        axis=1,
    )
    level = np.empty((paths, groups.model.size))
    for of_type in range(len(model.names.types)):
        of_that = groups.type == of_type
        fixed = wear.layout.levels(
            of_type, groups.model[of_that], groups.depot[of_that]
        )
        level[:, of_that] = np.exp(terms @ fixed.T)
    return rate, level, months_factor(wear, ahead, terms, some, rng)


def shares_of(model: KindModel, paths: int, rng: np.random.Generator) -> list[Floats]:
    """Draw the shares of models fitted, once for each model taken off and voltage."""
    groups, drawn = model.stands.groups, {}
    for key in zip(groups.model, groups.type, groups.volts, strict=True):
        if key not in drawn:
            m, t, v = key
            removed = model.names.models[m], model.names.types[t]
            allowed = model.stands.volts[v]
            drawn[key] = model.sharing.draw(removed, allowed, paths, rng)
    return [
        drawn[key] for key in zip(groups.model, groups.type, groups.volts, strict=True)
    ]
