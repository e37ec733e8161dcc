"""Planned programmes: what will be changed, where and when, from a file.

::

    [[programme]]
    name = "Harbour conversion"
    from = "2026-03"              # first month
    months = 4                    # over so many, evenly
    district = "D3"               # or depot, circuits, road_class, technology
    ends = ["lamp", "ballast", "ignitor"]
    fits = ["DR55", "LM55"]       # models put up, one each
    older_than_years = 0          # of the first kind in ends

TOML or JSON. With a plan, programmes go on as planned and not as over the last year.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from lightwatch.decisions.files import check_keys, read_file, read_month
from lightwatch.decisions.stock.forecast import Fitted
from lightwatch.decisions.stock.paths import Planned
from lightwatch.decisions.stock.terms import Floats
from lightwatch.errors import NotUnderstood, UnknownAsset
from lightwatch.store.frames import filled

WHERE = ("district", "depot", "circuits", "road_class", "technology")


@dataclass(frozen=True)
class Programme:
    """One planned programme; ``begins`` counts months from January 1970."""

    name: str
    begins: int
    months: int
    ends: tuple[str, ...]
    fits: tuple[str, ...]
    where: dict[str, tuple[str, ...]]
    older_than_years: float = 0.0
    share: float = 1.0


@dataclass(frozen=True)
class PlanChange:
    """What a plan changes: by kind, and the parts it takes by model, depot, month."""

    planned: dict[str, tuple[Planned, ...]] = field(default_factory=dict)
    added: dict[str, Floats] = field(default_factory=dict)
    parts: dict[tuple[str, str, int], float] = field(default_factory=dict)


def _names(value: Any) -> tuple[str, ...]:
    if isinstance(value, str):
        return (value,)
    return tuple(str(one) for one in value or ())


def _number(value: Any, where: str, low: float, high: float) -> float:
    ok = isinstance(value, int | float) and not isinstance(value, bool)
    if not ok or not low <= value <= high:
        raise NotUnderstood(f"{where}: {value!r} (expected {low:g} to {high:g})")
    return float(value)


def _programme(given: Mapping[str, Any], where: str) -> Programme:
    known = ["from" if f.name == "begins" else f.name for f in fields(Programme)]
    check_keys(given, [*(k for k in known if k != "where"), *WHERE], where)
    if "from" not in given or not (given.get("ends") or given.get("fits")):
        raise NotUnderstood(f"{where}: expected from, and ends or fits")
    return Programme(
        str(given.get("name", where)),
        read_month(given["from"], where),
        int(_number(given.get("months", 1), f"{where}: months", 1, 240)),
        _names(given.get("ends")),
        _names(given.get("fits")),
        {name: _names(given[name]) for name in WHERE if name in given},
        _number(given.get("older_than_years", 0), f"{where}: older_than_years", 0, 200),
        _number(given.get("share", 1), f"{where}: share", 0, 1),
    )


def read_plan(path: Path) -> tuple[Programme, ...]:
    """Return the programmes of a plan file.

    Raises
    ------
    NotUnderstood
        It cannot be read, or has a key that is not known.
    """
    document = read_file(path)
    check_keys(document, ("programme",), str(path))
    rows = document.get("programme", [])
    if not isinstance(rows, list):
        raise NotUnderstood(f"{path}: expected [[programme]] tables")
    return tuple(
        _programme(row, f"{path.name}, programme {i}") for i, row in enumerate(rows, 1)
    )


def _places(fitted: Fitted) -> pd.DataFrame:
    """Return, for each light in service, everything that a plan may name it by."""
    known = fitted.register.known
    lights = fitted.register.standing
    district = fitted.register.district_of
    road = known.road_class
    return pd.DataFrame(
        {
            "district": lights["light_id"].map(district).to_numpy(),
            "depot": lights["light_id"].map(fitted.served.of_light).to_numpy(),
            "circuits": lights["circuit_id"].to_numpy(),
            "road_class": filled(lights["road_id"].map(road), "unknown").to_numpy(),
            "technology": lights["technology"].to_numpy(),
        },
        index=pd.Index(lights["light_id"], name="light_id"),
    )


def _chosen(programme: Programme, places: pd.DataFrame) -> set[str]:
    """Return the lights that a programme is for."""
    keep = np.ones(len(places), bool)
    for column, names in programme.where.items():
        there = sorted(set(places[column]) - {""})
        for name in names:
            if name not in there:
                some = ", ".join(there[:8]) + (", …" if len(there) > 8 else "")
                raise UnknownAsset(
                    f"{programme.name}: there is no {column} {name!r} "
                    f"(expected one of {some})"
                )
        keep &= places[column].isin(names).to_numpy()
    return set(places.index[keep])


def _check_kinds(programme: Programme, fitted: Fitted) -> None:
    kinds = {model.kind for model in fitted.models}
    for kind in programme.ends:
        if kind not in kinds:
            raise UnknownAsset(
                f"{programme.name}: no {kind!r} stands "
                f"(expected one of {', '.join(sorted(kinds))})"
            )
    for model in programme.fits:
        if model not in fitted.shelf.parts:
            raise UnknownAsset(
                f"{programme.name}: {model!r} is not in the catalogue "
                f"(expected one of {', '.join(sorted(fitted.shelf.parts))})"
            )


def _months_of(programme: Programme, fitted: Fitted) -> list[int]:
    """Return the months ahead in which a programme runs; those gone by are left out."""
    ahead = np.arange(programme.months) + programme.begins - fitted.first_month
    return [int(month) for month in ahead if 0 <= month < fitted.run_months]


def _due(lives: pd.DataFrame, programme: Programme, fitted: Fitted) -> pd.DataFrame:
    """Return the parts old enough to be changed."""
    if not programme.older_than_years:
        return lives
    now = max(programme.begins, fitted.first_month)
    middle = (lives["born_low"] + lives["born_high"]) / 2
    return lives[now - middle >= 12 * programme.older_than_years]


@dataclass
class _Draft:
    """A change in the making."""

    fitted: Fitted
    planned: dict[str, list[Planned]] = field(default_factory=dict)
    added: dict[str, Floats] = field(default_factory=dict)
    parts: dict[tuple[str, str, int], float] = field(default_factory=dict)

    def take(self, programme: Programme, chosen: set[str]) -> None:
        """Add one programme for the lights chosen."""
        lives = self.fitted.uses.lives
        there = lives[lives["standing"] & lives["light_id"].isin(chosen)]
        first = programme.ends[0] if programme.ends else ""
        if first:
            due = _due(there[there["kind"] == first], programme, self.fitted)
            chosen = chosen & set(due["light_id"])
        months = _months_of(programme, self.fitted)
        per_month = programme.share / programme.months
        for kind in programme.ends:
            some = there[(there["kind"] == kind) & there["light_id"].isin(chosen)]
            self._end(kind, some, months, per_month, programme)
        depot = pd.Series([self.fitted.served.of_light[one] for one in chosen])
        for model in programme.fits:
            for where, number in depot.value_counts().items():
                self._put_up(model, str(where), number * per_month, months)

    def _model(self, kind: str) -> Any:
        found = [one for one in self.fitted.models if one.kind == kind]
        return found[0] if found else None

    def _end(
        self,
        kind: str,
        some: pd.DataFrame,
        months: list[int],
        per_month: float,
        programme: Programme,
    ) -> None:
        model = self._model(kind)
        groups, names = model.stands.groups, model.names
        births = groups.standing.shape[1] - groups.births_to_come
        where = ["model", "depot", "volts_class"]
        numbers = some.groupby(where).size().to_dict()
        old = int(12 * programme.older_than_years) if kind == programme.ends[0] else 0
        for i in range(groups.model.size):
            key = (
                names.models[groups.model[i]],
                names.depots[groups.depot[i]],
                model.stands.volts[groups.volts[i]],
            )
            number = numbers.get(key, 0) * per_month
            rows = self.planned.setdefault(kind, [])
            if number:
                rows += [
                    Planned(m, i, max(births + m - old, 1), number) for m in months
                ]

    def _put_up(self, name: str, depot: str, number: float, months: list[int]) -> None:
        kind = self.fitted.shelf.parts[name].kind
        for month in months:
            key = name, depot, self.fitted.first_month + month
            self.parts[key] = self.parts.get(key, 0.0) + number
        model = self._model(kind)
        if model is None or name not in model.names.models:
            return
        groups = model.stands.groups
        mine = (groups.model == model.names.models.index(name)) & (
            groups.depot == model.names.depots.index(depot)
        )
        at = np.flatnonzero(mine)
        if at.size:
            size = (groups.model.size, self.fitted.run_months)
            table = self.added.setdefault(kind, np.zeros(size))
            table[at[:, None], months] += number / at.size


def changes_of(plan: Iterable[Programme], fitted: Fitted) -> PlanChange:
    """Return what a plan changes in the forecast.

    Raises
    ------
    UnknownAsset
        It names a place, a kind or a model that is not there.
    """
    draft, programmes = _Draft(fitted), tuple(plan)
    places = _places(fitted) if programmes else pd.DataFrame()
    for programme in programmes:
        _check_kinds(programme, fitted)
        draft.take(programme, _chosen(programme, places))
    planned = {kind: tuple(rows) for kind, rows in draft.planned.items()}
    return PlanChange(planned, draft.added, draft.parts)
