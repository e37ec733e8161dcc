"""Lives of a kind as cells for the fit, and the weather in which they were used."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.decisions.stock.terms import Floats, Layout, Watched
from lightwatch.decisions.stock.uses import Uses, spread_births
from lightwatch.rates.cells import cells
from lightwatch.rates.splines import spline_for


@dataclass(frozen=True)
class Names:
    """Types, models and depots of a kind, in the order of the layout's levels."""

    types: tuple[str, ...]
    models: tuple[str, ...]
    depots: tuple[str, ...]
    type_of: dict[str, str]

    def groups(self, of_type: str) -> list[tuple[int, int]]:
        """Return model and depot of every group of a type."""
        return [
            (i, j)
            for i, model in enumerate(self.models)
            if self.type_of[model] == of_type
            for j in range(len(self.depots))
        ]


def _watched(
    lives: pd.DataFrame, names: Names, first_month: int, months: int, oldest: int
) -> list[Watched]:
    made = []
    for at, of_type in enumerate(names.types):
        groups = names.groups(of_type)
        index = {group: i for i, group in enumerate(groups)}
        some = lives[lives["type"] == of_type]
        model = some["model"].map({name: i for i, name in enumerate(names.models)})
        depot = some["depot"].map({name: i for i, name in enumerate(names.depots)})
        group = [index[pair] for pair in zip(model, depot, strict=True)]
        table = cells(
            np.floor(some["born"]).astype(int) - first_month,
            some["start"] - first_month,
            some["end"] - first_month,
            some["used"],
            group,
            n_months=months,
            n_groups=len(groups),
            age_edges_months=np.arange(oldest + 2),
            weight=some["share"],
        )
        known = table.failures
        age = table.band(np.maximum(known.noticed_month - known.birth_month, 0))
        place = (age * len(groups) + known.group) * months + known.noticed_month
        size = table.exposure.size
        ages = table.exposure.shape[0]
        used = np.bincount(place, known.count, size).reshape(ages, -1)
        pairs = np.array(groups, dtype=np.int64)
        made.append(
            Watched(
                at,
                table.exposure.reshape(ages, -1),
                np.asarray(used, float),
                pairs[:, 0],
                pairs[:, 1],
            )
        )
    return made


def watch(
    lives: pd.DataFrame, uses: Uses, names: Names, weather: Floats
) -> tuple[Layout, list[Watched]]:
    """Return the terms and the cells of one kind.

    Parameters
    ----------
    lives
        Lives of the kind (rows of ``uses.lives``); those of unknown age take no part.
    uses
        What left the shelf.
    names
        Types, models and depots.
    weather
        Days beyond the usual, depots by months by covariates.
    """
    frame = spread_births(lives[lives["born_low"].notna()])
    frame = frame[frame["end"] > frame["start"]]
    first, months = uses.first_month, weather.shape[1]
    oldest = int((uses.as_of_month - frame["born"]).max()) + 1 if len(frame) else 1
    watched = _watched(frame, names, first, months, oldest)
    by_age = sum((one.exposure.sum(axis=1) for one in watched), np.zeros(oldest + 1))
    ages = np.arange(by_age.size, dtype=float)
    spline = spline_for(ages, by_age)
    width = spline.columns(ages[:1]).shape[1] if np.count_nonzero(by_age) > 1 else 0
    layout = Layout(
        spline,
        width,
        len(names.types),
        len(names.models),
        len(names.depots),
        first,
        months,
        weather,
    )
    return layout, watched


def vintage_tables(
    layout: Layout, watched: list[Watched], terms: Floats, names: Names
) -> pd.DataFrame:
    """Return parts used and expected by model and year of installation."""
    rows = []
    for one in watched:
        ages = np.arange(one.exposure.shape[0])
        rate = np.exp(layout.ages(ages, one.type) @ terms)
        ratio = np.exp(layout.places(one) @ terms)
        due = one.exposure * rate[:, None] * ratio
        month = np.tile(np.arange(layout.months), one.model.size)
        born = layout.first_month + month[None, :] - ages[:, None]
        model = np.broadcast_to(np.repeat(one.model, layout.months), born.shape)
        seen = (due > 0) | (one.used > 0)
        rows.append(
            pd.DataFrame(
                {
                    "model": model[seen],
                    "year": born[seen] // 12,
                    "used": one.used[seen],
                    "expected": due[seen],
                }
            )
        )
    table = pd.concat(rows, ignore_index=True)
    sums = table.groupby(["model", "year"], as_index=False)[["used", "expected"]].sum()
    return sums.assign(model=[names.models[i] for i in sums["model"]])
