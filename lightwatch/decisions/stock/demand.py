"""Demand for the parts of one kind, on joint paths."""

from __future__ import annotations

import numpy as np

from lightwatch.decisions.stock.drawing import Ahead, batch, by_age, moving, shares_of
from lightwatch.decisions.stock.kinds import KindModel
from lightwatch.decisions.stock.paths import Drawn, Planned, Whole, project
from lightwatch.decisions.stock.terms import Floats


def demand(
    model: KindModel,
    ahead: Ahead,
    rng: np.random.Generator,
    planned: tuple[Planned, ...] = (),
    added: Floats | None = None,
    factor: Floats | None = None,
) -> Whole:
    """Draw the parts of one kind used in the months to come.

    Parameters
    ----------
    model
        The kind.
    ahead
        What all kinds share.
    rng
        Seeded generator.
    planned
        What a plan replaces.
    added
        Parts that a plan puts up, groups by months.
    factor
        Factor on the hazard of each month (a scenario).

    Returns
    -------
    numpy.ndarray
        Paths by months by depots by models fitted.
    """
    groups = model.stands.groups
    more = 1.0 if factor is None else factor[None, None, :]

    def draw(some: slice, rng: np.random.Generator) -> Drawn:
        paths = len(range(*some.indices(ahead.paths)))
        rate, level, month = by_age(model, ahead, some, rng)
        coming = moving(model, model.flows.coming, ahead, some)
        if added is not None:
            coming = coming + added[None]
        return Drawn(
            rate,
            level,
            batch(model, ahead, paths, rng),
            month * more,
            shares_of(model, paths, rng),
            coming,
            moving(model, model.flows.going, ahead, some),
            model.stands.age_weight(paths, rng),
            planned,
        )

    return project(
        groups,
        draw,
        ahead.months,
        len(model.sharing.fitted),
        ahead.paths,
        rng,
        ahead.part_of_first,
    )
