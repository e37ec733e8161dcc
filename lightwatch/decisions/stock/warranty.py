"""Parts that failed within their maker's warranty, and claims to expect.

A claim needs evidence: which light, which model, when it was fitted, when it was found
failed, and the repair that says so. Where the day of fitting is not known, the range is
said, and whether the part was surely inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.decisions.stock.drawing import fixed_terms
from lightwatch.decisions.stock.forecast import SEED, Fitted, stream
from lightwatch.decisions.stock.kinds import KindModel
from lightwatch.decisions.stock.shelf import Shelf
from lightwatch.decisions.stock.terms import Floats
from lightwatch.decisions.stock.thin import draw_rate
from lightwatch.lives import Lives, all_lives
from lightwatch.nights import YEAR

DRAWS = 400
RECENT_YEARS = 1.0


@dataclass(frozen=True)
class Claim:
    """One part that failed within warranty.

    ``fitted`` and ``fitted_last`` are the first and last day on which it may have been
    fitted, ``failed`` the day of the repair that found it so; all written as dates.
    ``surely`` says that it was inside whichever day it was.
    """

    light_id: str
    circuit_id: str
    kind: str
    model: str
    maker: str
    fitted: str
    fitted_last: str
    failed: str
    age_years: float
    warranty_years: float
    repair_id: str
    surely: bool


@dataclass(frozen=True)
class ClaimsAhead:
    """Claims to expect over the next year, by model, with 80 in 100 between."""

    kind: str
    model: str
    maker: str
    under_warranty: int
    expected: float
    low: int
    high: int
    value: float | None


def claims(
    shelf: Shelf, lives: Lives, years: float | None = RECENT_YEARS
) -> tuple[Claim, ...]:
    """Return parts that failed within warranty, newest first.

    Parameters
    ----------
    shelf
        The catalogue, with warranties.
    lives
        Lives with how they ended.
    years
        Of the last so many years; None: ever since the register was opened.
    """
    known, parts = lives.register.known, shelf.parts
    frame = all_lives(lives.register)
    frame = frame[frame["failed"] & (frame["end_repair"] >= 0)]
    warranty = frame["model"].map(
        {name: part.warranty_years for name, part in parts.items()}
    )
    frame = frame.assign(warranty=warranty.astype(float))
    inside = (frame["end"] - frame["installed_last"]) / YEAR < frame["warranty"]
    recent = frame["end"] >= (known.as_of - years * YEAR if years else -np.inf)
    found = frame[inside & recent].sort_values("end", ascending=False, kind="stable")
    repair_id = known.repairs["repair_id"]

    def day(at: float) -> str:
        return known.clock.at(int(at)).date().isoformat()

    return tuple(
        Claim(
            row.light_id,
            row.circuit_id,
            row.kind,
            row.model,
            row.maker,
            day(row.installed),
            day(row.installed_last),
            day(row.end),
            float((row.end - (row.installed + row.installed_last) / 2) / YEAR),
            float(row.warranty),
            str(repair_id.loc[row.end_repair]),
            bool((row.end - row.installed) / YEAR < row.warranty),
        )
        for row in found.itertuples()
    )


def _own_failures(lives: Lives, fitted: Fitted, kind: str) -> float:
    """Return the share of parts used that had failed themselves, and held."""
    frame = lives.frame[lives.frame["kind"] == kind]
    used = fitted.uses.lives
    count = float((used["used"] & (used["kind"] == kind)).sum())
    return min(float(frame["failed"].sum()) / count, 1.0) if count else 1.0


def _rates(model: KindModel, name: str, ages: int, rng: np.random.Generator) -> Floats:
    """Draw the hazard by month of age at the mean of the year, draws by ages."""
    if model.wear is None:
        rate = draw_rate(model.used, model.unit_months, DRAWS, rng)
        return np.repeat(rate[:, None], ages, axis=1)
    terms = fixed_terms(model.wear, DRAWS, rng)
    layout, names = model.wear.layout, model.names
    of_type = names.types.index(names.type_of[name])
    at = np.array([names.models.index(name)])
    log = terms @ layout.ages(np.arange(ages), of_type).T
    log = log + terms @ layout.levels(of_type, at, np.array([0])).T
    log = log + terms[:, [layout.part("drift").stop - 1]]
    return np.asarray(np.exp(log))


def _ahead(
    fitted: Fitted, lives: Lives, model: KindModel, name: str
) -> ClaimsAhead | None:
    part = fitted.shelf.parts.get(name)
    if part is None or np.isnan(part.warranty_years) or part.warranty_years <= 0:
        return None
    rng = stream(SEED, f"claims {model.kind} {name}")
    groups = model.stands.groups
    mine = groups.model == model.names.models.index(name)
    now = groups.standing.shape[1] - groups.births_to_come
    standing = groups.standing[mine, :now].sum(axis=0)[::-1]
    limit = round(12 * part.warranty_years)
    ages = np.arange(1, min(now, limit) + 1)
    parts = standing[: ages.size]
    hazard = _rates(model, name, ages.size + 13, rng)
    sums = np.concatenate([np.zeros((DRAWS, 1)), np.cumsum(hazard, axis=1)], axis=1)
    until = np.minimum(ages + 12, limit)
    chance = -np.expm1(sums[:, ages] - sums[:, np.maximum(until, ages)])
    mean = (chance @ parts) * _own_failures(lives, fitted, model.kind)
    drawn = rng.poisson(mean)
    low, high = np.quantile(drawn, (0.1, 0.9), method="inverted_cdf")
    cost = None if np.isnan(part.unit_cost) else float(mean.mean() * part.unit_cost)
    return ClaimsAhead(
        model.kind,
        name,
        part.maker,
        round(float(parts.sum())),
        float(mean.mean()),
        int(low),
        int(high),
        cost,
    )


def claims_ahead(fitted: Fitted, lives: Lives) -> tuple[ClaimsAhead, ...]:
    """Return the claims to expect over the next year from what stands now."""
    made = []
    for model in fitted.models:
        for name in model.names.models:
            one = _ahead(fitted, lives, model, name)
            made += [one] if one is not None and one.under_warranty else []
    return tuple(made)
