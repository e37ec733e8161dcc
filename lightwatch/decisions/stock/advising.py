"""Whether to change a part that works: while the truck is there, or a district at once.

Everything is judged on draws of the fitted hazard at the mean of the year. Nothing is
advised unless the hazard rises, and the saving is there, in nine draws of ten; and no
age is advised that has not been seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.decisions.assumptions import VisitCosts
from lightwatch.decisions.stock.drawing import fixed_terms
from lightwatch.decisions.stock.forecast import SEED, Fitted, stream
from lightwatch.decisions.stock.kinds import KindModel
from lightwatch.decisions.stock.replacing import (
    Life,
    age_cost,
    best_age,
    opportunity_cost,
    run_to_failure,
)
from lightwatch.decisions.stock.terms import Floats
from lightwatch.decisions.stock.wear import Wear

DRAWS = 200
SURE = 0.9
"""Share of draws that must agree before anything is advised."""

LEAST_SAVING = 0.02
"""A saving smaller than this share of running to failure is not worth a rule."""

YOUNG, OLD = (0.1, 0.5), (0.75, 0.98)
"""Shares of the time under watch, by age, between which the hazard must rise."""

GOING = 0.05
"""A kind of which this share a year more goes than comes is on its way out."""

OFTEN_ENOUGH = 36
"""Months over which visits are counted."""


@dataclass(frozen=True)
class Replacement:
    """Advice for a model: change it once older, when the truck is there anyway.

    Parameters
    ----------
    kind, model
        Of which part.
    older_than_years
        Change it when older, while there; None: run it to failure.
    saving, low, high
        Share of the cost of running to failure that this saves, on average and in 80
        draws of 100; of the best age even where it is not advised.
    failure_cost
        Cost of a failure [local currency].
    dedicated_saving
        What a visit of its own at the best age would save.
    visits_per_year
        How often a truck is at a light for another reason [1/year].
    why
        In words.
    """

    kind: str
    model: str
    older_than_years: float | None
    saving: float
    low: float
    high: float
    failure_cost: float
    dedicated_saving: float
    visits_per_year: float
    why: str


def visits_per_year(fitted: Fitted, kind: str) -> float:
    """Return how often a truck is at a light for another reason [1/year].

    Of the last three years, programmes left out.
    """
    repairs = fitted.register.known.repairs
    months = min(fitted.uses.watched_month - fitted.uses.first_month, OFTEN_ENOUGH)
    since = fitted.register.watched_until - months / 12 * 365.25 * 86_400e6
    counted = (
        (repairs["happened"] >= since)
        & (repairs["light_id"] != "")
        & (repairs["cause"] != "programme")
        & (repairs["component"] != kind)
    )
    lights = max(len(fitted.register.standing), 1)
    return float(counted.sum()) / (lights * max(months, 1.0) / 12)


def _mean_of_year(wear: Wear, terms: Floats) -> Floats:
    """Return the mean factor of the months of a year, by draw."""
    layout = wear.layout
    season = np.exp(terms[:, layout.part("season")] @ layout.season(np.arange(12)).T)
    drift = np.exp(terms[:, layout.part("drift").stop - 1])
    return np.asarray(season.mean(axis=1) * drift * np.exp(wear.spreads.month**2 / 2))


def hazards(
    model: KindModel, name: str, rng: np.random.Generator, draws: int = DRAWS
) -> Floats | None:
    """Draw the hazard of a model by month of age [per month], ages that were seen.

    None where too few parts were used to tell ages apart.
    """
    if model.wear is None:
        return None
    wear, names = model.wear, model.names
    terms = fixed_terms(wear, draws, rng)
    of_type = names.types.index(names.type_of[name])
    ages = np.arange(wear.oldest_months + 1)
    at = np.array([names.models.index(name)])
    level = terms @ wear.layout.levels(of_type, at, np.array([0])).T
    log = terms @ wear.layout.ages(ages, of_type).T + level
    return np.asarray(np.exp(log) * _mean_of_year(wear, terms)[:, None])


def ages_seen(model: KindModel, fitted: Fitted, name: str) -> tuple[Floats, float]:
    """Return quantiles of age under watch, and the greatest seen enough [months]."""
    lives = fitted.uses.lives
    some = lives[(lives["kind"] == model.kind) & (lives["model"] == name)]
    some = some[some["born_low"].notna()]
    middle = (some["born_low"] + some["born_high"]) / 2
    low = (some["start"] - middle).clip(lower=0).to_numpy(float)
    high = (some["end"] - middle).to_numpy(float)
    ages = np.arange(model.wear.oldest_months + 1 if model.wear else 1)
    watched = np.array([((low <= a) & (high > a)).sum() for a in ages], dtype=float)
    share = np.cumsum(watched) / max(watched.sum(), 1.0)
    marks = np.searchsorted(share, [*YOUNG, *OLD]).astype(float)
    enough = np.flatnonzero(watched >= 30)
    return marks, float(enough[-1]) if enough.size else 0.0


def going(model: KindModel) -> bool:
    """Tell whether the kind is on its way out: taken down without being fitted anew."""
    flows = model.flows
    out = sum(float(table["per_month"].sum()) for table in flows.going.values())
    back = sum(float(table["per_month"].sum()) for table in flows.coming.values())
    standing = float(model.stands.groups.standing.sum())
    return 12 * (out - back) > GOING * standing


def rises(hazard: Floats, marks: Floats) -> bool:
    """Tell whether the hazard is higher at old than at young ages, almost surely."""
    young = hazard[:, int(marks[0]) : int(marks[1]) + 1].mean(axis=1)
    old = hazard[:, int(marks[2]) : int(marks[3]) + 1].mean(axis=1)
    return bool((old > young).mean() >= SURE)


def life_of(hazard: Floats) -> Life:
    """Return the life that a hazard by month of age makes."""
    sums = np.cumsum(hazard, axis=1)
    survival = np.exp(-np.concatenate([np.zeros((len(hazard), 1)), sums], axis=1))
    return Life(np.arange(hazard.shape[1] + 1) / 12, survival)


ON_ITS_WAY_OUT = "these lights are being converted: run it to failure"


def _words(
    age: float | None, rising: bool, seen: bool, saving: tuple[float, float]
) -> str:
    if not rising:
        return "it fails no more often when old: run it to failure"
    if age is None and not seen:
        return "too few have grown old enough to tell: run it to failure for now"
    if age is None:
        return (
            f"changing it early would save {saving[0]:.0%} at best, perhaps nothing: "
            "run it to failure"
        )
    return f"saves about {saving[0]:.0%} of the cost of running it to failure"


def _advise(
    fitted: Fitted, model: KindModel, name: str, costs: VisitCosts, visits: float
) -> Replacement | None:
    rng = stream(SEED, f"advice {model.kind} {name}")
    hazard = hazards(model, name, rng)
    part = fitted.shelf.parts.get(name)
    if hazard is None or part is None or np.isnan(part.unit_cost):
        return None
    marks, oldest = ages_seen(model, fitted, name)
    hazard = hazard[:, : int(max(oldest, 24.0)) + 1]
    life = life_of(hazard)
    failure = costs.failure + part.unit_cost
    plain = run_to_failure(life, failure)
    there = opportunity_cost(life, costs.while_there + part.unit_cost, failure, visits)
    best, _ = best_age(life, there.mean(axis=0))
    at = round(12 * float(best))
    saved = 1 - there[:, at] / plain
    low, high = np.quantile(saved, (0.1, 0.9))
    own = age_cost(life, costs.dedicated + part.unit_cost, failure)
    dedicated = 1 - np.nanmin(own.mean(axis=0)) / plain.mean()
    rising = rises(hazard, np.minimum(marks, hazard.shape[1] - 1))
    seen = at < hazard.shape[1] - 1
    good = (
        rising
        and seen
        and (saved > 0).mean() >= SURE
        and saved.mean() >= LEAST_SAVING
        and not going(model)
    )
    age = at / 12 if good else None
    return Replacement(
        model.kind,
        name,
        age,
        float(saved.mean()),
        float(low),
        float(high),
        failure,
        max(float(dedicated), 0.0),
        visits,
        ON_ITS_WAY_OUT
        if going(model)
        else _words(age, rising, seen, (float(saved.mean()), float(low))),
    )


def replacements(
    fitted: Fitted, costs: VisitCosts | None = None
) -> tuple[Replacement, ...]:
    """Say of each model that stands whether, and when, to change it while there.

    Parameters
    ----------
    fitted
        What was fitted.
    costs
        Of visits.
    """
    made = []
    for model in fitted.models:
        visits = visits_per_year(fitted, model.kind)
        there = model.stands.groups.standing.sum(axis=1)
        groups = model.stands.groups
        for i, name in enumerate(model.names.models):
            if there[groups.model == i].sum() >= 1 and name:
                found = _advise(fitted, model, name, costs or VisitCosts(), visits)
                made += [found] if found else []
    return tuple(made)
