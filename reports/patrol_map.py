"""The patrol on a map: one HTML file that opens in the truck with no network."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from html import escape
from importlib.resources import files
from itertools import groupby
from typing import Any

import folium
import jinja2
from branca.element import CssLink, JavascriptLink
from markupsafe import Markup

from lightwatch.decisions.patrol import CrewPlan, Leg, PatrolPlan
from lightwatch.mapview.offline import OfflineFigure, _digest
from lightwatch.nights import LocalTime
from reports.patrol import CAUTIONS

_COLOURS = ("#b54400", "#00598f", "#5b2a86", "#1b6b2f", "#8a6d00", "#333333")
_DASHES = (None, "14 5", "3 5", "20 5 3 5", "8 8", "1 7")
_EVERY = 25
"""Every so manieth stretch bears its number."""


class PatrolFigure(OfflineFigure):
    """A figure with the patrol's own page around the map."""

    def render(self, **kwargs: Any) -> str:
        """Return the page as HTML text."""
        for child in self._children.values():
            child.render(**kwargs)
        scripts = [*self._inlined(JavascriptLink), self.script.render(**kwargs)]
        return _page().render(
            self.context,
            styles=[Markup(text) for text in self._inlined(CssLink)],
            body=Markup(self.html.render(**kwargs)),
            scripts=[Markup(text) for text in scripts],
            allowed=[_digest(text) for text in scripts],
        )


@cache
def _page() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
    )
    text = files(__package__).joinpath("patrol_map.html").read_text("utf-8")
    return environment.from_string(text)


def _joined(legs: Iterable[Leg]) -> list[tuple[float, float]]:
    points: list[tuple[float, float]] = []
    for leg in legs:
        points += [(y, x) for x, y in leg.line]
    return points


def _runs(crew: CrewPlan) -> Iterator[tuple[bool, list[Leg]]]:
    """Yield streets one by one where they are looked at, and what lies between."""
    for looking, some in groupby(crew.legs, lambda leg: leg.looking):
        if looking:
            yield from ((True, [leg]) for leg in some)
        else:
            yield False, list(some)


def _words(leg: Leg, reasons: Mapping[str, str], clock: LocalTime) -> str:
    name = leg.name or leg.road_id or "lights without a road"
    said = [
        f"{clock.at(leg.starts_at):%H:%M} {name} {leg.road_id or ''}".strip(),
        f"{len(leg.lights)} lights, {leg.found:.2f} finds expected",
        *(f"{one}: {reasons[one]}" for one in leg.lights if one in reasons),
    ]
    return escape("; ".join(said)).replace("`", "&#96;").replace("$", "&#36;")


def _draw(
    chart: folium.Map, number: int, crew: CrewPlan, plan: PatrolPlan, clock: LocalTime
) -> None:
    polyline: Any = folium.PolyLine
    style = (number - 1) % len(_COLOURS)
    looked = 0
    for i, (looking, legs) in enumerate(_runs(crew)):
        if looking:
            leg = legs[0]
            line: Any = polyline(
                _joined(legs),
                color=_COLOURS[style],
                dash_array=_DASHES[style],
                weight=3 + min(6.0, 20 * leg.found),
                opacity=0.9,
                tooltip=folium.Tooltip(_words(leg, plan.reasons, clock)),
            )
            if looked % _EVERY == 0:
                _number(chart, f"{number}_{i}", leg, looked + 1, _COLOURS[style])
            looked += 1
        else:
            line = polyline(
                _joined(legs), color="#555", weight=2, dash_array="2 5", opacity=0.7
            )
        line._id = f"leg_{number}_{i}"
        for child in line._children.values():
            child._id = f"words_{number}_{i}"
        line.add_to(chart)


def _number(chart: folium.Map, name: str, leg: Leg, order: int, colour: str) -> None:
    x, y = leg.line[0]
    words = folium.Tooltip(str(order), permanent=True, direction="right", sticky=False)
    mark = folium.CircleMarker((y, x), radius=4, color=colour, tooltip=words)
    mark._id, words._id = f"mark_{name}", f"order_{name}"
    mark.add_to(chart)


def patrol_map(plan: PatrolPlan, clock: LocalTime, place: str) -> str:
    """Return the patrol on a map, as one HTML page that needs no network.

    Crews differ in colour and line pattern, so that a black-and-white print tells them
    apart. The same plan gives the same text.
    """
    kind = "Day patrol" if plan.order.kind == "day" else "Night patrol"
    crews = [
        {
            "number": number,
            "colour": _COLOURS[(number - 1) % len(_COLOURS)],
            "dash": _DASHES[(number - 1) % len(_DASHES)],
        }
        for number in range(1, len(plan.crews) + 1)
    ]
    figure = PatrolFigure(
        {
            "title": f"{kind} of {plan.order.night:%d %b %Y}, {place}",
            "cautions": CAUTIONS,
            "crews": crews,
        }
    )
    chart = folium.Map(
        location=(plan.depot[1], plan.depot[0]), zoom_start=14, tiles=None
    )
    chart.options["maxZoom"] = 20
    chart.options["attributionControl"] = False  # the page says what draws it
    chart._id = "patrol"
    for number, crew in enumerate(plan.crews, 1):
        _draw(chart, number, crew, plan, clock)
    depot = folium.CircleMarker(
        (plan.depot[1], plan.depot[0]), radius=9, color="#111", fill=True,
        fill_opacity=1.0, tooltip="depot",
    )  # fmt: skip
    depot._id = "depot"
    for child in depot._children.values():
        child._id = "depot_words"
    depot.add_to(chart)
    _fit(chart, plan)
    figure.add_child(chart)
    return figure.render()


def _fit(chart: folium.Map, plan: PatrolPlan) -> None:
    points = [p for crew in plan.crews for leg in crew.legs for p in leg.line]
    points.append(plan.depot)
    longitudes, latitudes = zip(*points, strict=True)
    fit = folium.FitBounds(
        [[min(latitudes), min(longitudes)], [max(latitudes), max(longitudes)]]
    )
    fit._id = "fit"
    fit.add_to(chart)
