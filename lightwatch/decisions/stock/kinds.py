"""The parts of one kind: how they are used up, what stands, what comes and goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.decisions.stock.climate import Climate
from lightwatch.decisions.stock.flows import Flows, flows
from lightwatch.decisions.stock.sharing import Sharing
from lightwatch.decisions.stock.standing import Standing, standing
from lightwatch.decisions.stock.uses import Uses
from lightwatch.decisions.stock.vintages import Vintages, vintages
from lightwatch.decisions.stock.watching import Names, vintage_tables, watch
from lightwatch.decisions.stock.wear import Wear, fit_wear
from lightwatch.errors import NotEnoughEvidence

LEAST_USED = 10
"""With fewer parts used, a kind has a constant rate and no ages."""

BY_AGE = "age, season, weather and model"
CONSTANT = "constant rate (few used yet)"


@dataclass(frozen=True)
class KindModel:
    """All that is known of the parts of one kind.

    ``wear`` is None where too few were used; then ``used`` and ``unit_months`` give a
    constant rate.
    """

    kind: str
    names: Names
    sharing: Sharing
    wear: Wear | None
    batches: Vintages | None
    flows: Flows
    stands: Standing
    used: float
    unit_months: float

    @property
    def method(self) -> str:
        """How its demand is foreseen, in words."""
        return BY_AGE if self.wear is not None else CONSTANT


def kind_model(
    kind: str,
    uses: Uses,
    depots: tuple[str, ...],
    type_of: dict[str, str],
    sharing: Sharing,
    climate: Climate,
    months: int,
) -> KindModel | None:
    """Fit how parts of one kind are used up, and group what stands.

    Parameters
    ----------
    kind, uses, depots
        The kind, what left the shelf, and the depots.
    type_of
        Type of each model of the catalogue.
    sharing
        Which model replaces which.
    climate
        Weather as it reached the shelf.
    months
        Months ahead.

    Returns
    -------
    KindModel or None
        None where nothing of the kind is on the register.
    """
    lives = uses.lives[uses.lives["kind"] == kind]
    there = lives[lives["standing"]]
    if there.empty:
        return None
    models = dict(zip(lives["model"], lives["type"], strict=True))
    for name in sharing.fitted:
        models.setdefault(name, type_of.get(name, "unknown"))
    names = Names(
        tuple(sorted(set(models.values()))), tuple(sorted(models)), depots, models
    )
    now = int(np.floor(uses.as_of_month + 1e-9))
    used = float(lives["used"].sum())
    unit_months = float((lives["end"] - lives["start"]).sum())
    wear, batches = None, None
    if used >= LEAST_USED:
        try:
            layout, watched = watch(lives, uses, names, climate.felt)
            wear = fit_wear(layout, watched)
            table = vintage_tables(layout, watched, wear.terms, names)
            batches = vintages(table)
        except NotEnoughEvidence:
            wear, batches = None, None
    return KindModel(
        kind,
        names,
        sharing,
        wear,
        batches,
        flows(lives, uses),
        standing(lives, names, sharing.fitted, now, months),
        used,
        unit_months,
    )
