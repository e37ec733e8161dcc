"""Which model replaces which, as the crews did it over the last year.

The shares are drawn from a Dirichlet: the last year's counts by model taken off, drawn
towards those of its type and kind, counted for as much less as the year's shares
differ from the year before's by more than chance. Rated voltage is respected: a model
is fitted only where it may hang.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from lightwatch.decisions.stock.terms import Floats

WORTH = 5.0
"""How many replacements the shares of the type weigh against a model's own."""

SURE = 1e6
"""Weight of shares that someone decided."""

YEAR_MONTHS = 12.0


@dataclass(frozen=True)
class Sharing:
    """Shares of the models fitted, by the model taken off.

    Parameters
    ----------
    fitted
        Models that are fitted.
    by_model, by_type, of_any
        Dirichlet weights by the model taken off; of one not seen, by its type; of any.
    """

    fitted: tuple[str, ...]
    by_model: dict[str, Floats]
    by_type: dict[str, Floats]
    of_any: Floats

    def weight(self, removed: str, of_type: str) -> Floats:
        """Return the Dirichlet weights for a model taken off."""
        if removed in self.by_model:
            return self.by_model[removed]
        return self.by_type.get(of_type, self.of_any)

    def draw(
        self,
        removed: tuple[str, str],
        allowed: str,
        paths: int,
        rng: np.random.Generator,
    ) -> Floats:
        """Draw the shares of models fitted for one taken off, paths by models.

        Parameters
        ----------
        removed
            Model taken off, and its type.
        allowed
            Models that may hang there, joined by ``|``; blank: any.
        """
        weight = self.weight(*removed)
        if allowed:
            may = np.isin(self.fitted, allowed.split("|"))
            weight = np.where(may, np.maximum(weight, 1e-6 if may.any() else 0), 0.0)
        if not weight.sum() > 0:
            return np.zeros((paths, len(self.fitted)))
        drawn = rng.standard_gamma(weight, (paths, weight.size))
        total = drawn.sum(axis=1, keepdims=True)
        flat = weight / weight.sum()
        return np.asarray(np.where(total > 0, drawn / np.maximum(total, 1e-300), flat))

    def without(self, models: Iterable[str]) -> Sharing:
        """Return the shares when some models can no longer be had."""
        gone = np.isin(self.fitted, list(models))

        def rest(weight: Floats) -> Floats:
            left = np.where(gone, 0.0, weight)
            return left if left.sum() > 0 else np.where(gone, 0.0, 1.0)

        return Sharing(
            self.fitted,
            {name: rest(weight) for name, weight in self.by_model.items()},
            {name: rest(weight) for name, weight in self.by_type.items()},
            rest(self.of_any),
        )


def _unlike(now: Floats, before: Floats) -> float:
    """Return by how much more two years' shares differ than chance makes them.

    It is the homogeneity chi-square over its degrees of freedom, at least 1.
    """
    both = now + before
    if now.sum() < 1 or before.sum() < 1 or np.count_nonzero(both) < 2:
        return 1.0
    due = both * now.sum() / both.sum(), both * before.sum() / both.sum()
    seen = both > 0
    square = sum(
        ((year[seen] - expected[seen]) ** 2 / expected[seen]).sum()
        for year, expected in zip((now, before), due, strict=True)
    )
    return max(1.0, float(square) / (np.count_nonzero(both) - 1))


def _counts(some: pd.DataFrame, fitted: tuple[str, ...]) -> Floats:
    return np.asarray(some["model"].value_counts().reindex(fitted).fillna(0.0), float)


def sharing(
    fitted: pd.DataFrame,
    as_of_month: float,
    standing: Iterable[str] = (),
    rules: Mapping[str, Mapping[str, float]] | None = None,
) -> Sharing:
    """Learn which model replaces which from the parts fitted of one kind.

    Parameters
    ----------
    fitted
        Rows of ``uses.fitted`` of the kind, programmes left out.
    as_of_month
        The day of the forecast; the last year before it counts. Without a part fitted
        in that year all years count.
    standing
        Models of the kind that stand: where none was ever fitted, like replaces like.
    rules
        Shares that someone decided, by model taken off (``*``: any), which stand in
        place of what was learned.
    """
    some = fitted[fitted["model"] != ""]
    last = some[some["month"] >= as_of_month - YEAR_MONTHS]
    earlier = some[some["month"] < as_of_month - YEAR_MONTHS]
    before = earlier[earlier["month"] >= as_of_month - 2 * YEAR_MONTHS]
    last = last if len(last) else some
    if some.empty:
        return _like_for_like(sorted(set(standing) - {""}), rules)
    ruled = {name for shares in (rules or {}).values() for name in shares}
    names = tuple(sorted({*last["model"], *ruled}))
    whole = _counts(last, names)
    loose = _unlike(whole, _counts(before, names))
    by_model, by_type = {}, {}
    for of_type, of_that in last.groupby("removed_type"):
        seen = _counts(of_that, names) + whole / max(whole.sum(), 1.0)
        by_type[str(of_type)] = seen / loose
        for removed, rows in of_that.groupby("removed"):
            near = WORTH * seen / seen.sum()
            by_model[str(removed)] = (_counts(rows, names) + near) / loose
    return _ruled(Sharing(names, by_model, by_type, whole / loose), rules)


def _like_for_like(
    standing: list[str], rules: Mapping[str, Mapping[str, float]] | None
) -> Sharing:
    ruled = {name for shares in (rules or {}).values() for name in shares}
    names = tuple(sorted({*standing, *ruled}))
    same = {name: SURE * (np.array(names) == name) for name in standing}
    return _ruled(Sharing(names, same, {}, np.ones(len(names))), rules)


def _ruled(
    learned: Sharing, rules: Mapping[str, Mapping[str, float]] | None
) -> Sharing:
    """Put shares that someone decided in place of those learned."""
    decided = {
        removed: SURE * np.array([shares.get(name, 0.0) for name in learned.fitted])
        for removed, shares in (rules or {}).items()
    }
    if "*" in decided:
        return Sharing(learned.fitted, decided, {}, decided["*"])
    return replace(learned, by_model={**learned.by_model, **decided})
