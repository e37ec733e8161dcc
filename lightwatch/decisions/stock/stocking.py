"""The stock plan: demand, orders, budget, and what a plan or a scenario changes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from lightwatch.decisions.assumptions import VisitCosts
from lightwatch.decisions.stock.advising import Replacement, replacements
from lightwatch.decisions.stock.budget import Budget, budget
from lightwatch.decisions.stock.changes import Change
from lightwatch.decisions.stock.forecast import (
    PATHS,
    SEED,
    Fitted,
    Forecast,
    Rules,
    fit,
    forecast,
)
from lightwatch.decisions.stock.grouping import GroupReplacement, group_replacements
from lightwatch.decisions.stock.orders import Order, Terms, orders
from lightwatch.decisions.stock.plan import Programme
from lightwatch.decisions.stock.scenario import Scenario, what_changes
from lightwatch.decisions.stock.shelf import Shelf, read_shelf
from lightwatch.decisions.stock.warranty import (
    Claim,
    ClaimsAhead,
    claims,
    claims_ahead,
)
from lightwatch.errors import UnknownAsset
from lightwatch.lives import Lives
from lightwatch.register import Register


@dataclass(frozen=True)
class StockPlan:
    """What will be needed, and what to order.

    Parameters
    ----------
    fitted, forecast
        What was fitted, and the paths.
    orders, budget
        What to order, and what it costs.
    programme_parts
        Parts that a plan takes, by model, depot and month (from January 1970): apart
        from demand.
    waiting
        By kind, parts of lights that have failed and not been mended, as usual.
    what_if
        The scenario, and the plan under it; None without one.
    """

    fitted: Fitted
    forecast: Forecast
    orders: tuple[Order, ...]
    budget: Budget
    programme_parts: dict[tuple[str, str, int], float]
    waiting: dict[str, float]
    what_if: tuple[Scenario, StockPlan] | None = None


def check_rules(rules: Rules, shelf: Shelf) -> None:
    """Refuse rules that name a kind or a model that is not there.

    Raises
    ------
    UnknownAsset
        They do.
    """
    parts = shelf.parts
    kinds = {part.kind for part in parts.values()}
    for kind, by_model in rules.items():
        if kind not in kinds:
            raise UnknownAsset(
                f"replacement rules: no kind {kind!r} in the catalogue "
                f"(expected one of {', '.join(sorted(kinds))})"
            )
        of_kind = {name for name, part in parts.items() if part.kind == kind}
        for shares in by_model.values():
            for name in shares:
                if name not in of_kind:
                    raise UnknownAsset(
                        f"replacement rules: no {kind} {name!r} in the catalogue "
                        f"(expected one of {', '.join(sorted(of_kind))})"
                    )


def _waiting(fitted: Fitted, found: Forecast) -> dict[str, float]:
    """Return, by kind, the parts of a usual wait from failing to the repair."""
    days = fitted.backlog.delay_days
    year = found.used[:, found.whole_months][:, :12]
    made: dict[str, float] = {}
    for i, item in enumerate(found.items):
        daily = float(year[:, :, i].mean()) * 12 / 365.25
        made[item.kind] = made.get(item.kind, 0.0) + daily * days
    return made


def _drawn(
    fitted: Fitted, change: Change, terms: Terms, seed: int, paths: int
) -> StockPlan:
    shelf = fitted.shelf.slower(change.lead_time)
    now = replace(fitted, shelf=shelf)
    found = forecast(now, seed=seed, paths=paths, change=change)
    made = orders(now, found, terms, seed)
    return StockPlan(
        now,
        found,
        made,
        budget(now, found, made),
        change.parts,
        _waiting(now, found),
    )


def stock(
    register: Register,
    months: int = 12,
    terms: Terms | None = None,
    *,
    plan: Iterable[Programme] | None = None,
    scenario: Scenario | None = None,
    rules: Mapping[str, Mapping[str, Mapping[str, float]]] | None = None,
    kind: str = "",
    seed: int = SEED,
    paths: int = PATHS,
) -> StockPlan:
    """Say how many parts will be needed, and what to order.

    Parameters
    ----------
    register
        What stands, as known on a day.
    months
        Whole calendar months ahead.
    terms
        On what terms orders are made.
    plan
        Planned programmes; none: they go on as over the last year.
    scenario
        What may be otherwise; its plan is beside the plan without it.
    rules
        Which model replaces which, where someone decided.
    kind
        The one kind asked for; '': all.
    seed, paths
        Of the draws, and how many; a scenario is drawn on the same.

    Raises
    ------
    NotUnderstood, UnknownAsset, NotEnoughEvidence
        Something given cannot be read, or is not there.
    """
    check_rules(rules or {}, read_shelf(register.known))
    fitted = fit(register, months, rules, kind)
    programmes = None if plan is None else tuple(plan)
    made = _drawn(
        fitted, what_changes(fitted, programmes), terms or Terms(), seed, paths
    )
    if scenario is None:
        return made
    changed = what_changes(fitted, programmes, scenario)
    other = _drawn(fitted, changed, terms or Terms(), seed, paths)
    return replace(made, what_if=(scenario, other))


@dataclass(frozen=True)
class Advice:
    """What to change while the truck is there, district by district; claims."""

    replacements: tuple[Replacement, ...]
    groups: tuple[GroupReplacement, ...]
    claims: tuple[Claim, ...]
    claims_ahead: tuple[ClaimsAhead, ...]


def advice(plan: StockPlan, lives: Lives, costs: VisitCosts | None = None) -> Advice:
    """Say what to change before it fails, and what to claim.

    Parameters
    ----------
    plan
        The stock plan.
    lives
        Lives of the same day, with how they ended.
    costs
        Of visits.
    """
    fitted = plan.fitted
    return Advice(
        replacements(fitted, costs),
        group_replacements(fitted, costs),
        claims(fitted.shelf, lives),
        claims_ahead(fitted, lives),
    )


def by_kind(found: Forecast) -> dict[str, np.ndarray]:
    """Return the paths of whole months by kind, summed on each path."""
    used = found.used[:, found.whole_months]
    made: dict[str, np.ndarray] = {}
    for i, item in enumerate(found.items):
        made[item.kind] = made.get(item.kind, 0) + used[:, :, i]
    return made
