"""The sheet in the truck: two printed pages a crew, cautions first, then streets."""

from __future__ import annotations

from importlib.resources import files
from math import ceil
from typing import Any

import jinja2
import pandas as pd

from lightwatch.decisions.patrol import CrewPlan, PatrolPlan
from lightwatch.nights import SECOND, LocalTime
from reports.patrol import CAUTIONS, Stretch, stretches

_SIZES = ((9.0, 2, 3), (8.0, 3, 3), (7.5, 4, 1), (7.0, 5, 1), (6.2, 5, 1))
"""Point size, columns and roads named of a stretch, tried in turn until two pages hold
the streets."""

_HEIGHT_MM = 2 * 274.0 - 165.0
"""Of two pages of A4, less the heading, the cautions and the lines to write on [mm]."""

_WIDTH_MM = 184.0
_BLANK = 8
_BEST_SHARE = 0.15
_LOOKS = 2
_TIME_EVERY = 5 * 60 * SECOND


def _listed(names: tuple[str, ...], most: int) -> str:
    if len(names) <= most:
        return " ".join(names)
    return f"{names[0]}…{names[-1]}" if most > 1 else names[0]


def _looks(one: Stretch, reasons: dict[str, str], poles: dict[str, str]) -> list[str]:
    named = [light for light in one.lights if light in reasons]
    said = [f"{poles.get(light) or light}: {reasons[light]}" for light in named]
    said = [words if words.endswith("?") else f"{words}." for words in said]
    if len(said) > _LOOKS:
        said = [*said[:_LOOKS], f"And {len(said) - _LOOKS} more such."]
    return said


def _streets(
    crew: CrewPlan,
    plan: PatrolPlan,
    poles: dict[str, str],
    clock: LocalTime,
    roads: int,
) -> list[dict[str, Any]]:
    found = list(stretches(crew.legs))
    ranked = sorted(
        (one.found / max(len(one.lights), 1) for one in found), reverse=True
    )
    least = ranked[int(len(ranked) * _BEST_SHARE)] if ranked else 0.0
    told = -_TIME_EVERY
    rows = []
    for one in found:
        is_due = roads > 1 or one.starts_at - told >= _TIME_EVERY
        told = one.starts_at if is_due else told
        rows.append(_row(one, is_due, roads, least, plan, poles, clock))
    return rows


def _row(
    one: Stretch,
    is_due: bool,
    roads: int,
    least: float,
    plan: PatrolPlan,
    poles: dict[str, str],
    clock: LocalTime,
) -> dict[str, Any]:
    others = tuple(road for road in one.roads if road != one.name)
    return {
        "time": f"{clock.at(one.starts_at):%H:%M}" if is_due else "",
        "name": one.name,
        "roads": _listed(others, roads),
        "lights": len(one.lights),
        "looks": _looks(one, plan.reasons, poles),
        "best": one.found / max(len(one.lights), 1) > least,
    }


def _height_mm(streets: list[dict[str, Any]], size: float, columns: int) -> float:
    """Return about how tall the streets print [mm]."""
    per_line = (_WIDTH_MM / columns - 4.0) / (size * 0.3528 * 0.55)
    count = sum(
        ceil(
            (
                len(one["time"])
                + 7
                + len(one["name"])
                + len(one["roads"])
                + sum(len(look) + 1 for look in one["looks"])
            )
            / per_line
        )
        for one in streets
    )
    spacing = 0.5 * len(streets)
    return (count * size * 0.3528 * 1.22 + spacing) / columns


def _crew(
    number: int,
    crew: CrewPlan,
    plan: PatrolPlan,
    poles: dict[str, str],
    clock: LocalTime,
    roads: int,
) -> dict[str, Any]:
    streets = _streets(crew, plan, poles, clock, roads)
    first = next((leg.starts_at for leg in crew.legs if leg.looking), None)
    return {
        "number": number,
        "leaves": _hour(crew.legs[0].starts_at if crew.legs else None, clock),
        "first": _hour(first, clock),
        "back": _hour(crew.ends_at, clock),
        "km": f"{crew.km:.0f}",
        "found": f"{crew.found:.1f}",
        "lights": sum(one["lights"] for one in streets),
        "streets": streets,
    }


def _hour(instant: int | None, clock: LocalTime) -> str:
    return "-" if instant is None else f"{clock.at(instant):%H:%M}"


def patrol_sheet(
    plan: PatrolPlan, lights: pd.DataFrame, clock: LocalTime, place: str
) -> str:
    """Return the printable sheet as one HTML page that needs no network.

    Parameters
    ----------
    plan
        The patrol.
    lights
        ``light_id`` and ``pole_id``: what is written on the pole is what is named.
    clock
        Local time.
    place
        Name of the place.
    """
    poles = dict(zip(lights["light_id"], lights["pole_id"], strict=True))
    for size, columns, roads in _SIZES:
        crews = [
            _crew(number, crew, plan, poles, clock, roads)
            for number, crew in enumerate(plan.crews, 1)
        ]
        tallest = max(
            (_height_mm(crew["streets"], size, columns) for crew in crews), default=0.0
        )
        if tallest <= _HEIGHT_MM:
            break
    by_day = plan.order.kind == "day"
    kind = "Day patrol" if by_day else "Night patrol"
    heading = f"{kind} of {plan.order.night:%a %d %b %Y}, {place}"
    dark = ""
    if plan.dark.begins is not None:
        word = "light" if by_day else "dark"
        hours = (_hour(plan.dark.begins, clock), _hour(plan.dark.ends, clock))
        dark = f"{word} {hours[0]} to {hours[1]}"
    return _template().render(
        title=heading, heading=heading, crews=crews, cautions=CAUTIONS,
        notes=plan.notes, dark=dark, look_kmh=f"{plan.order.look_kmh:g}", size=size,
        columns=columns, blank=_BLANK, by_day=by_day,
    )  # fmt: skip


def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
    )
    text = files(__package__).joinpath("patrol_sheet.html").read_text("utf-8")
    return environment.from_string(text)
