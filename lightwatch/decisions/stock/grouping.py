"""Group replacement: a district's parts of a kind at once, against run to failure.

Over some years, replacing all now costs the parts and the street done in a row, and
then what new parts fail; running to failure costs what the standing parts, and those
that follow them, fail. Both are means of renewal processes [1]_ on draws of the hazard.

References
----------
.. [1] D. R. Cox, Renewal Theory (1962), chapter 4; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.decisions.assumptions import VisitCosts
from lightwatch.decisions.stock.advising import (
    ON_ITS_WAY_OUT,
    SURE,
    ages_seen,
    going,
    hazards,
    life_of,
    rises,
)
from lightwatch.decisions.stock.forecast import SEED, Fitted, stream
from lightwatch.decisions.stock.kinds import KindModel
from lightwatch.decisions.stock.renewal import renewals
from lightwatch.decisions.stock.terms import Floats
from lightwatch.decisions.stock.uses import spread_births

YEARS = 10

LEAST_PARTS = 20
"""A district with fewer parts of a kind is no group."""

DRAWS = 60


@dataclass(frozen=True)
class GroupReplacement:
    """Replacing all parts of a kind in a district now, against run to failure.

    ``saving`` is over ten years [local currency]; ``low`` and ``high`` hold 80 draws
    of 100 of it, chance included. It is advised if the mean is a saving nearly surely.
    ``failures`` and ``failures_if_new`` are expected over that time; ``why`` says in
    words why it is advised or not.
    """

    kind: str
    district: str
    parts: int
    mean_age_years: float
    failures: float
    failures_if_new: float
    cost_now: float
    saving: float
    low: float
    high: float
    advised: bool
    why: str


def _from_age(survival: Floats, again: Floats, ages: Floats) -> Floats:
    """Return mean failures over the years of parts now so old, draws by ages.

    Parameters
    ----------
    survival
        By month of age, draws by months.
    again
        Mean failures of a new part within so many months, draws by months.
    ages
        Months.
    """
    months = again.shape[1] - 1
    made = np.zeros((survival.shape[0], ages.size))
    last = survival.shape[1] - 1
    for i, age in enumerate(ages.astype(int)):
        at = np.minimum(age + np.arange(months + 1), last)
        alive = survival[:, at] / np.maximum(survival[:, [min(age, last)]], 1e-300)
        beyond = age + np.arange(months + 1) > last
        if beyond.any():
            ratio = survival[:, last] / np.maximum(survival[:, last - 1], 1e-300)
            steps = np.maximum(age + np.arange(months + 1) - max(age, last), 0)
            alive = alive * ratio[:, None] ** steps
        died = alive[:, :-1] - alive[:, 1:]
        made[:, i] = (died * (1 + again[:, -2::-1])).sum(axis=1)
    return made


def _again(survival: Floats) -> Floats:
    """Return mean failures of a new part within each month, draws by months."""
    ages = np.arange(survival.shape[1]) / 12
    made = []
    for one in survival:

        def failed_by(age: Floats, alive: Floats = one) -> Floats:
            return np.asarray(1 - np.interp(age, ages, alive))

        made.append(renewals(failed_by, YEARS, 12 * YEARS)[1])
    return np.array(made)


def _extended(hazard: Floats) -> Floats:
    """Return survival by month of age, the last hazard going on for ten years more."""
    more = np.repeat(hazard[:, -1:], 12 * YEARS, axis=1)
    return life_of(np.concatenate([hazard, more], axis=1)).survival


@dataclass(frozen=True)
class _ByModel:
    """Failures over ten years by age of each model, draws by ages; and of a new one."""

    by_age: dict[str, Floats]
    new: dict[str, Floats]
    rising: dict[str, bool]
    going: bool


def _failures(fitted: Fitted, model: KindModel, oldest: int) -> _ByModel | None:
    by_age, new, rising = {}, {}, {}
    for name in model.names.models:
        rng = stream(SEED, f"group {model.kind} {name}")
        hazard = hazards(model, name, rng, DRAWS)
        if hazard is None:
            return None
        marks, _ = ages_seen(model, fitted, name)
        survival = _extended(hazard)
        again = _again(survival)
        by_age[name] = _from_age(survival, again, np.arange(oldest + 1.0))
        new[name] = again[:, -1]
        rising[name] = rises(hazard, np.minimum(marks, hazard.shape[1] - 1))
    return _ByModel(by_age, new, rising, going(model))


def _district(
    some: pd.DataFrame,
    found: _ByModel,
    key: tuple[str, str],
    costs: VisitCosts,
    price: dict[str, float],
) -> GroupReplacement | None:
    kept, fresh, outlay = np.zeros(DRAWS), np.zeros(DRAWS), 0.0
    rng = stream(SEED, f"district {key[0]} {key[1]}")
    meant, chanced = np.zeros(DRAWS), np.zeros(DRAWS)
    for name, rows in some.groupby("model"):
        cost = price.get(str(name), np.nan)
        if np.isnan(cost):
            return None
        age = np.clip(rows["age"], 0, found.by_age[str(name)].shape[1] - 1).astype(int)
        run = (found.by_age[str(name)][:, age] * rows["share"].to_numpy()).sum(axis=1)
        again = found.new[str(name)] * rows["share"].sum()
        kept, fresh = kept + run, fresh + again
        came, come = rng.poisson(run), rng.poisson(again)
        meant += (run - again) * (costs.failure + cost)
        chanced += (came - come) * (costs.failure + cost)
        outlay += float(rows["share"].sum()) * (costs.in_a_row + cost)
    saving = meant - outlay
    low, high = np.quantile(chanced - outlay, (0.1, 0.9))
    rising = all(found.rising[str(name)] for name in set(some["model"]))
    return GroupReplacement(
        key[0],
        key[1],
        round(float(some["share"].sum())),
        float(np.average(some["age"], weights=some["share"]) / 12),
        float(kept.mean()),
        float(fresh.mean()),
        outlay,
        float(saving.mean()),
        float(low),
        float(high),
        *_verdict(rising, found.going, (saving > 0).mean() >= SURE),
    )


def _verdict(rising: bool, on_its_way_out: bool, pays: bool) -> tuple[bool, str]:
    if on_its_way_out:
        return False, ON_ITS_WAY_OUT
    if not rising:
        return False, "some of them fail no more often when old"
    if not pays:
        return False, "running to failure costs less, or it cannot be told"
    return True, "costs less over ten years than running to failure"


def group_replacements(
    fitted: Fitted,
    costs: VisitCosts | None = None,
    kinds: tuple[str, ...] = ("lamp", "photocontrol"),
) -> tuple[GroupReplacement, ...]:
    """Say of each district whether to replace all parts of a kind now.

    Parameters
    ----------
    fitted
        What was fitted.
    costs
        Of visits.
    kinds
        Kinds that are ever replaced so.
    """
    district = fitted.register.district_of
    price = {name: part.unit_cost for name, part in fitted.shelf.parts.items()}
    made = []
    for model in fitted.models:
        lives = fitted.uses.lives
        there = lives[lives["standing"] & (lives["kind"] == model.kind)]
        there = spread_births(there[there["born_low"].notna() & (there["model"] != "")])
        if model.kind not in kinds or there.empty:
            continue
        there = there.assign(
            age=np.maximum(fitted.uses.as_of_month - there["born"], 0.0),
            district=there["light_id"].map(district),
        )
        oldest = int(there["age"].max()) + 1
        found = _failures(fitted, model, oldest)
        if found is None:
            continue
        for name, some in there.dropna(subset=["district"]).groupby("district"):
            if some["share"].sum() < LEAST_PARTS:
                continue
            key = model.kind, str(name)
            one = _district(some, found, key, costs or VisitCosts(), price)
            made += [one] if one else []
    return tuple(sorted(made, key=lambda one: (one.kind, -one.saving)))
