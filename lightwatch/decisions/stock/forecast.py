"""Joint paths of what will leave the shelf, per model, depot and month."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from lightwatch.decisions.stock.backlog import Backlog, backlog
from lightwatch.decisions.stock.changes import Change, KindChange
from lightwatch.decisions.stock.climate import DAYS_A_MONTH, Climate, climate
from lightwatch.decisions.stock.demand import demand
from lightwatch.decisions.stock.drawing import Ahead
from lightwatch.decisions.stock.flows import STREAMS
from lightwatch.decisions.stock.kinds import KindModel, kind_model
from lightwatch.decisions.stock.paths import Whole
from lightwatch.decisions.stock.sharing import sharing
from lightwatch.decisions.stock.shelf import Served, Shelf, read_shelf
from lightwatch.decisions.stock.thin import draw_intermittent
from lightwatch.decisions.stock.uses import Uses, uses
from lightwatch.errors import NotUnderstood
from lightwatch.kept import keeping
from lightwatch.register import Register

Rules = Mapping[str, Mapping[str, Mapping[str, float]]]
"""Shares of models fitted: by kind, by model taken off (``*``: any), by model."""

MOST_MONTHS = 120

PATHS = 1000
SEED = 1

WITHOUT_AGES = "intermittent demand (Teunter-Syntetos-Babai, negative binomial)"

QUANTILES = (0.025, 0.1, 0.5, 0.9, 0.975)


@dataclass(frozen=True)
class Item:
    """A model of a kind at a depot."""

    kind: str
    model: str
    depot: str


@dataclass(frozen=True)
class Forecast:
    """What will leave the shelf, on joint paths.

    Parameters
    ----------
    items
        Models at depots.
    used
        Parts used, paths by months by items; the first month may be a part of one.
    first_month
        Of ``used``, counted from January 1970.
    part_of_first
        What is left of it at the time of the forecast.
    methods
        How each item's demand is foreseen, in words.
    """

    items: tuple[Item, ...]
    used: Whole
    first_month: int
    part_of_first: float
    methods: dict[Item, str]

    @property
    def whole_months(self) -> slice:
        """The months that begin at or after the time of the forecast."""
        return slice(0 if self.part_of_first == 1.0 else 1, None)

    def with_nothing(self, item: Item) -> Forecast:
        """Return the forecast with an item of which nothing will be used."""
        none = np.zeros((*self.used.shape[:2], 1), np.int64)
        used = np.concatenate([self.used, none], axis=2)
        return replace(self, items=(*self.items, item), used=used)

    def of(self, item: Item) -> Whole:
        """Return an item's paths by months."""
        return np.asarray(self.used[:, :, self.items.index(item)])


@dataclass(frozen=True)
class Fitted:
    """All that is fitted before anything is drawn.

    ``months`` are those asked for; ``run_months`` cover the lead times too, and the
    rest of the month of the forecast.
    """

    register: Register
    shelf: Shelf
    served: Served
    uses: Uses
    climate: Climate
    backlog: Backlog
    models: tuple[KindModel, ...]
    first_month: int
    part_of_first: float
    months: int
    run_months: int


def stocked_kinds(known: Uses, shelf: Shelf) -> list[str]:
    """Return the kinds of which parts were fitted, or stand, in the catalogue."""
    there = set(known.lives.loc[known.lives["model"].isin(list(shelf.parts)), "kind"])
    return sorted({*known.kinds, *there})


def _longest_wait(shelf: Shelf) -> int:
    """Return months until an order placed at the next review is surely in."""
    waits = [shelf.lead_time(model)[:2] for model in shelf.parts]
    days = max((mean + 3 * spread for mean, spread in waits), default=0.0)
    return min(int(np.ceil(days / DAYS_A_MONTH)) + 2, MOST_MONTHS)


def fit(
    register: Register, months: int, rules: Rules | None = None, kind: str = ""
) -> Fitted:
    """Fit how parts are used up, as known on the register's day.

    Parameters
    ----------
    register
        What stands, and stood.
    months
        Months ahead that are asked for.
    rules
        Which model replaces which, where someone decided: by kind, by model taken off.
    kind
        The one kind asked for; '': all. What is said of it is the same.

    Raises
    ------
    NotUnderstood
        The shelf's figures cannot be read, or months are not from 1 to 120.
    """
    if not 1 <= months <= MOST_MONTHS:
        raise NotUnderstood(f"{months} months (expected 1 to {MOST_MONTHS})")
    return _by(register, months, kind, rules) if rules else _fit(register, months, kind)


@keeping
def _fit(register: Register, months: int, kind: str) -> Fitted:
    return _by(register, months, kind, {})


def _by(register: Register, months: int, kind: str, rules: Rules) -> Fitted:
    """Fit, by the rules of someone who decided."""
    shelf = read_shelf(register.known)
    served = Served(register.known, shelf)
    known = uses(register, served, kind)
    first = int(np.floor(known.as_of_month + 1e-6))
    left = 1.0 - max(known.as_of_month - first, 0.0)
    whole = left > 1 - 1e-6
    run = max(months, _longest_wait(shelf)) + (not whole)
    waiting = backlog(register)
    history = max(int(np.ceil(known.as_of_month - 1e-6)) - known.first_month, 1)
    weather = climate(register, served, history, waiting.delay_days)
    shelf = shelf.only(kind) if kind else shelf
    type_of = {model: part.type for model, part in shelf.parts.items()}
    models = []
    for kind in stocked_kinds(known, shelf):
        fitted = known.fitted[(known.fitted["kind"] == kind) & known.fitted["renewed"]]
        there = known.lives[(known.lives["kind"] == kind) & known.lives["standing"]]
        stand = set(there["model"]) & set(shelf.parts)
        shares = sharing(
            fitted[~fitted["programme"]],
            known.watched_month,
            stand,
            rules.get(kind),
        )
        if not shares.fitted:
            continue
        made = kind_model(kind, known, shelf.depots, type_of, shares, weather, run)
        models += [made] if made is not None else []
    return Fitted(
        register,
        shelf,
        served,
        known,
        weather,
        waiting,
        tuple(models),
        first,
        1.0 if whole else left,
        months,
        run,
    )


def stream(seed: int, name: str) -> np.random.Generator:
    """Return a generator of its own for a name, the same on every machine."""
    return np.random.default_rng([seed, *name.encode()])


def ahead_of(fitted: Fitted, seed: int, paths: int) -> Ahead:
    """Draw what all kinds share."""
    run = fitted.run_months
    weather = fitted.climate.to_come(
        fitted.first_month, run, paths, stream(seed, "weather")
    )
    pace = {
        name: stream(seed, f"pace of {name}").standard_normal(paths) for name in STREAMS
    }
    lively = {name: np.ones(run) for name in STREAMS}
    return Ahead(
        fitted.first_month, run, fitted.part_of_first, paths, weather, pace, lively
    )


def _without_ages(fitted: Fitted, seed: int, paths: int) -> dict[Item, Whole]:
    """Draw what is fitted where nothing of its kind came off."""
    frame, first = fitted.uses.fitted, fitted.uses.first_month
    frame = frame[frame["month"] <= fitted.uses.watched_month]
    other = frame[~frame["renewed"] & ~frame["programme"] & (frame["model"] != "")]
    months = max(int(np.ceil(fitted.uses.watched_month - 1e-6)) - first, 1)
    made = {}
    for key, some in other.groupby(["kind", "model", "depot"]):
        at = np.floor(some["month"]).astype(int) - first
        series = np.bincount(np.clip(at, 0, months - 1), minlength=months)
        item = Item(*(str(name) for name in key))
        rng = stream(seed, f"{item.kind} {item.model} {item.depot} without ages")
        made[item] = draw_intermittent(series, fitted.run_months, paths, rng)
        if fitted.part_of_first < 1.0:
            kept = rng.binomial(made[item][:, 0], fitted.part_of_first)
            made[item][:, 0] = kept
    return made


def forecast(
    fitted: Fitted,
    *,
    seed: int = SEED,
    paths: int = PATHS,
    change: Change | None = None,
) -> Forecast:
    """Draw what will leave the shelf.

    Parameters
    ----------
    fitted
        What was fitted.
    seed, paths
        Of the draws, and how many.
    change
        What a plan and a scenario change; none: things go on as over the last year.
    """
    ahead = ahead_of(fitted, seed, paths)
    ahead = change.of_ahead(ahead) if change else ahead
    made: dict[Item, Whole] = {}
    methods: dict[Item, str] = {}
    for model in fitted.models:
        now = change.of_kind(model) if change else KindChange(model)
        used = demand(
            now.model,
            ahead,
            stream(seed, model.kind),
            now.planned,
            now.added,
            now.factor,
        )
        for d, depot in enumerate(model.names.depots):
            for m, name in enumerate(now.model.sharing.fitted):
                item = Item(model.kind, name, depot)
                made[item] = used[:, :, d, m]
                methods[item] = model.method
    for item, extra in _without_ages(fitted, seed, paths).items():
        methods.setdefault(item, WITHOUT_AGES)
        made[item] = made.get(item, np.zeros_like(extra)) + extra
    items = tuple(sorted(made, key=lambda one: (one.kind, one.model, one.depot)))
    empty = np.zeros((paths, fitted.run_months, 0), np.int64)
    stacked = np.stack([made[item] for item in items], axis=2) if items else empty
    return Forecast(items, stacked, fitted.first_month, fitted.part_of_first, methods)
