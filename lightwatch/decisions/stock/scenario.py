"""What if: a wet winter, a maker dropped, a conversion moved a year.

::

    name = "Wet winter, and Kestvale stops"

    [weather]
    months = [11, 12, 1, 2, 3]    # of the year, or "2025-11" and so on
    wet_days = 5                  # more than usual, each month
    freeze_thaw_days = 4

    [makers]
    dropped = ["Kestvale"]        # their models can no longer be had

    [programmes]
    move_months = 12              # later; negative: sooner (planned ones)
    pace = 1.0                    # against the plan, or the last year

    [hazard.photocontrol]
    factor = 1.2                  # from "from" on

    [lead_time]
    factor = 1.5

TOML or JSON.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from lightwatch.decisions.files import check_keys, read_file, read_month
from lightwatch.decisions.stock.changes import Change
from lightwatch.decisions.stock.forecast import Fitted
from lightwatch.decisions.stock.plan import Programme, changes_of
from lightwatch.decisions.stock.terms import Floats
from lightwatch.errors import NotEnoughEvidence, NotUnderstood, UnknownAsset

_KEYS = {
    "weather": ("months", "wet_days", "freeze_thaw_days"),
    "makers": ("dropped",),
    "programmes": ("move_months", "pace"),
    "lead_time": ("factor",),
}


@dataclass(frozen=True)
class Scenario:
    """What is otherwise than it was.

    Parameters
    ----------
    name
        In words.
    weather_months
        Months with more frost or rain: of the year (1 to 12), or as ``YYYY-MM``.
    freeze_thaw_days, wet_days
        More than usual, in each of them [days].
    dropped
        Makers whose models can no longer be had.
    move_months, pace
        Programmes later by so many months; their pace against what was foreseen.
    hazard
        Factor on the hazard by kind.
    lead_time
        Factor on lead times.
    """

    name: str = "what if"
    weather_months: tuple[int | str, ...] = ()
    freeze_thaw_days: float = 0.0
    wet_days: float = 0.0
    dropped: tuple[str, ...] = ()
    move_months: int = 0
    pace: float = 1.0
    hazard: dict[str, float] = field(default_factory=dict)
    lead_time: float = 1.0


def _number(table: Mapping[str, Any], key: str, usual: float, low: float) -> float:
    value = table.get(key, usual)
    if isinstance(value, bool) or not isinstance(value, int | float) or value < low:
        raise NotUnderstood(f"scenario: {key} = {value!r} (expected {low:g} or more)")
    return float(value)


def _months(given: Any) -> tuple[int | str, ...]:
    if not isinstance(given, list) or not given:
        raise NotUnderstood("scenario: weather needs months (such as [11, 12, 1])")
    for one in given:
        if isinstance(one, int) and 1 <= one <= 12:
            continue
        read_month(one, "scenario: months")
    return tuple(given)


def read_scenario(path: Path) -> Scenario:
    """Return the scenario in a file.

    Raises
    ------
    NotUnderstood
        It cannot be read, or has a key that is not known.
    """
    document = read_file(path)
    check_keys(document, ("name", *_KEYS, "hazard"), str(path))
    tables = {name: document.get(name, {}) for name in (*_KEYS, "hazard")}
    for name, table in tables.items():
        if not isinstance(table, dict):
            raise NotUnderstood(f"{path}: {name} must be a table")
        if name in _KEYS:
            check_keys(table, _KEYS[name], f"{path}, {name}")
    hazard = {}
    for kind, table in tables["hazard"].items():
        given = table if isinstance(table, dict) else {}
        check_keys(given, ("factor",), f"{path}, hazard.{kind}")
        hazard[kind] = _number(given, "factor", 1.0, 0.0)
    weather, moved = tables["weather"], tables["programmes"]
    dropped = tables["makers"].get("dropped", [])
    return Scenario(
        str(document.get("name", path.stem)),
        _months(weather.get("months")) if weather else (),
        _number(weather, "freeze_thaw_days", 0.0, -31.0),
        _number(weather, "wet_days", 0.0, -31.0),
        (dropped,) if isinstance(dropped, str) else tuple(dropped),
        int(_number(moved, "move_months", 0, -240)),
        _number(moved, "pace", 1.0, 0.0),
        hazard,
        _number(tables["lead_time"], "factor", 1.0, 0.0),
    )


def _days(scenario: Scenario, fitted: Fitted) -> Floats | None:
    """Return days of frost and rain to add as they reach the shelf, by month ahead."""
    if not scenario.weather_months:
        return None
    if not fitted.climate.covariates:
        raise NotEnoughEvidence(
            "scenario: there is too little weather on record to tell what more of it "
            "would do (expected two years or more)"
        )
    month = fitted.first_month + np.arange(fitted.run_months)
    chosen = np.zeros(month.size, bool)
    for one in scenario.weather_months:
        if isinstance(one, int):
            chosen |= month % 12 + 1 == one
        else:
            chosen |= month == read_month(one, "scenario: months")
    more = np.array([scenario.freeze_thaw_days, scenario.wet_days])
    fallen = chosen[:, None] * more
    return np.asarray(
        sum(
            part * np.pad(fallen, ((late, 0), (0, 0)))[: month.size]
            for late, part in enumerate(fitted.climate.lag)
        )
    )


def _dropped(scenario: Scenario, fitted: Fitted) -> frozenset[str]:
    makers = {part.maker for part in fitted.shelf.parts.values()}
    for maker in scenario.dropped:
        if maker not in makers:
            raise UnknownAsset(
                f"scenario: no maker {maker!r} in the catalogue "
                f"(expected one of {', '.join(sorted(makers))})"
            )
    return frozenset(
        model
        for model, part in fitted.shelf.parts.items()
        if part.maker in scenario.dropped
    )


def _pace(scenario: Scenario, fitted: Fitted, *, planned: bool) -> Floats:
    """Return the factor on programmes without a plan, by month ahead."""
    if planned:
        return np.zeros(fitted.run_months)
    month = np.arange(fitted.run_months)
    return np.where(month < scenario.move_months, 0.0, scenario.pace)


def what_changes(
    fitted: Fitted,
    plan: Iterable[Programme] | None = None,
    scenario: Scenario | None = None,
) -> Change:
    """Return what a plan and a scenario change in the forecast.

    Parameters
    ----------
    fitted
        What was fitted.
    plan
        Planned programmes; none: they go on as over the last year.
    scenario
        What is otherwise.

    Raises
    ------
    UnknownAsset, NotEnoughEvidence
        A place, kind, model or maker is not there; too little is known of weather.
    """
    now = scenario or Scenario()
    for kind in now.hazard:
        if kind not in {model.kind for model in fitted.models}:
            raise UnknownAsset(f"scenario: no {kind!r} stands, or was ever fitted")
    moved = [
        replace(
            one, begins=one.begins + now.move_months, share=min(one.share * now.pace, 1)
        )
        for one in plan or ()
    ]
    by_plan = changes_of(moved, fitted)
    return Change(
        {"programme": _pace(now, fitted, planned=plan is not None)},
        _days(now, fitted),
        _dropped(now, fitted),
        by_plan.planned,
        by_plan.added,
        {kind: np.full(fitted.run_months, by) for kind, by in now.hazard.items()},
        now.lead_time,
        by_plan.parts,
    )
