"""What stands on the day of the forecast, in groups, by month of birth.

A part whose birth is not on record gets those of its model whose is, no later than it
was first seen; how they lie is drawn, the more widely the fewer are known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.decisions.stock.paths import Groups
from lightwatch.decisions.stock.terms import Floats, Ints
from lightwatch.decisions.stock.uses import spread_births
from lightwatch.decisions.stock.watching import Names

MOST_SURE = 30.0
"""Parts of known age count at most for so many in saying the ages of the others."""

OLDEST_MONTHS = 300
"""Where no part of a kind has a known age, ages up to this are as likely."""


@dataclass(frozen=True)
class Standing:
    """Groups of one kind, and what is not known of their ages.

    Parameters
    ----------
    groups
        As projected.
    known, unknown
        Parts of known age by group and birth; number of the others by group.
    like
        Ages that those may have: shares by group and birth.
    sure
        How many known parts stand behind these shares, by group.
    volts
        Names of the volts classes.
    """

    groups: Groups
    known: Floats
    unknown: Floats
    like: Floats
    sure: Floats
    volts: tuple[str, ...]

    def age_weight(self, paths: int, rng: np.random.Generator) -> Floats | None:
        """Draw factors on the parts standing: how unknown ages may lie."""
        if not self.unknown.any():
            return None
        weight = self.like * np.minimum(self.sure, MOST_SURE)[:, None]
        drawn = rng.standard_gamma(weight, (paths, *weight.shape))
        drawn /= np.maximum(drawn.sum(axis=2, keepdims=True), 1e-300)
        made = self.known + self.unknown[:, None] * drawn
        middle = self.groups.standing
        return np.asarray(np.where(middle > 0, made / np.maximum(middle, 1e-12), 0.0))


def _index(column: pd.Series[str], among: tuple[str, ...]) -> Ints:
    return np.array([among.index(name) for name in column], dtype=np.int64)


def _keys(lives: pd.DataFrame, names: Names, fitted: tuple[str, ...]) -> pd.DataFrame:
    """Return the groups there are, and those that fitted parts may begin."""
    where = ["model", "depot", "volts_class"]
    there = lives[where].drop_duplicates()
    places = lives[["depot", "volts_class"]].drop_duplicates()
    more = places.merge(pd.DataFrame({"model": list(fitted)}), how="cross")[where]
    both = pd.concat([there, more]).drop_duplicates()
    return both.sort_values(where).reset_index(drop=True)


def _births(
    some: pd.DataFrame, group: pd.Series[int], now: int, shape: tuple[int, int]
) -> Floats:
    """Count parts by group and month of birth, the last birth a month ago."""
    born = np.floor(some["born"]).astype(int).clip(upper=now - 1)
    at = shape[1] - (now - born)
    made = np.zeros(shape)
    np.add.at(made, (group.to_numpy(), np.maximum(at, 0)), some["share"].to_numpy())
    return made


def _like(
    lives: pd.DataFrame, known: Floats, keys: pd.DataFrame, now: int
) -> tuple[Floats, Floats]:
    """Return shares of births for parts of unknown age, and how sure they are."""
    births = known.shape[1]
    by_model = pd.DataFrame(known).groupby(keys["model"]).transform("sum").to_numpy()
    first_seen = (
        lives[lives["born_low"].isna()]
        .groupby(["model", "depot", "volts_class"])["start"]
        .max()
    )
    seen = first_seen.reindex(pd.MultiIndex.from_frame(keys)).fillna(now).to_numpy()
    before = np.arange(births)[None, :] - births + now <= seen[:, None]
    flat = before & (np.arange(births) >= births - OLDEST_MONTHS)
    flat = np.where(flat.any(axis=1, keepdims=True), flat, before)
    like = by_model * before
    sure = like.sum(axis=1)
    like = like + flat / np.maximum(flat.sum(axis=1, keepdims=True), 1)
    return like / like.sum(axis=1, keepdims=True), sure + 1.0


def standing(
    lives: pd.DataFrame,
    names: Names,
    fitted: tuple[str, ...],
    now: int,
    months: int,
) -> Standing:
    """Group what stands.

    Parameters
    ----------
    lives
        Lives of the kind.
    names
        Its types, models and depots.
    fitted
        Models that are fitted.
    now
        Month of the forecast, counted from January 1970.
    months
        Months ahead.
    """
    there = lives[lives["standing"]]
    keys = _keys(there, names, fitted)
    index = {key: i for i, key in enumerate(keys.itertuples(index=False, name=None))}
    dated = spread_births(there[there["born_low"].notna()])
    oldest = int(now - np.floor(dated["born"].min())) if len(dated) else 0
    whole = there["born_low"].isna().any()
    still = max(oldest, OLDEST_MONTHS if whole else 1, 1)
    where = ["model", "depot", "volts_class"]

    def group(some: pd.DataFrame) -> pd.Series[int]:
        rows = some[where].itertuples(index=False, name=None)
        return pd.Series([index[row] for row in rows], index=some.index, dtype=int)

    known = _births(dated, group(dated), now, (len(keys), still))
    undated = there[there["born_low"].isna()]
    unknown = np.bincount(group(undated), minlength=len(keys)).astype(float)
    like, sure = _like(there, known, keys, now)
    ahead = np.zeros((len(keys), months))
    volts = tuple(sorted(set(keys["volts_class"])))
    to_group = np.full((len(fitted), len(names.depots), len(volts)), -1)
    for i, (model, depot, one) in enumerate(keys.itertuples(index=False, name=None)):
        if model in fitted:
            at = fitted.index(model), names.depots.index(depot), volts.index(one)
            to_group[at] = i
    total = np.concatenate([known + unknown[:, None] * like, ahead], axis=1)
    groups = Groups(
        total,
        _index(keys["model"].map(names.type_of), names.types),
        _index(keys["model"], names.models),
        _index(keys["depot"], names.depots),
        _index(keys["volts_class"], volts),
        to_group,
        months,
    )
    pad = ((0, 0), (0, months))
    return Standing(groups, np.pad(known, pad), unknown, np.pad(like, pad), sure, volts)
