"""Repeat failures on a map: circuits by excess, lights by how often they failed.

One file that opens with no network. A circuit is as thick, and as dark, as its class of
excess; underground feeds are dashed, overhead ones solid, so that a grey print tells
them apart. Lights are dots, larger for more failures.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any

import folium
import geopandas as gpd
import jinja2
import numpy as np
import pandas as pd
from branca.element import CssLink, JavascriptLink
from markupsafe import Markup

from lightwatch.decisions.cautions import CAUTIONS
from lightwatch.decisions.repeats import BadCircuit, RepeatLight, Repeats
from lightwatch.mapview.offline import OfflineFigure, _digest

BREAKS = (0.0, 0.8, 1.25, 2.0, 3.0)
"""Excess at which a class begins: below, about, and above what is expected."""

COLOURS = ("#9aa3a8", "#6f7f88", "#b98a2e", "#b5541c", "#7a1212")
WIDTHS = (1.5, 2.0, 3.0, 4.5, 6.5)
UNDERGROUND = "7 5"

FAILED = (3, 4, 6)
"""Failures of a light at which its dot is the next larger."""

MOST_LIGHTS = 1_500
"""So many lights are drawn, those that failed most."""


@dataclass(frozen=True)
class _Class:
    """One class of the scale, as the key shows it."""

    words: str
    colour: str
    width: float


def classes() -> list[_Class]:
    """Return the scale with its breaks, in words."""
    ends = [*(f"{one:g}" for one in BREAKS[1:]), ""]
    words = [
        f"{low:g} to {high}" if high else f"{low:g} and more"
        for low, high in zip(BREAKS, ends, strict=True)
    ]
    return [_Class(*one) for one in zip(words, COLOURS, WIDTHS, strict=True)]


def class_of(excess: float) -> int:
    """Return the class of an excess, by number.

    Examples
    --------
    >>> [class_of(one) for one in (0.1, 1.0, 1.25, 9.0)]
    [0, 1, 2, 4]
    """
    return int(np.searchsorted(BREAKS, excess, side="right")) - 1


class AgainFigure(OfflineFigure):
    """A figure with its own page around the map."""

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
    return environment.from_string(
        files(__package__).joinpath("again.html").read_text("utf-8")
    )


def _plain(words: Iterable[str]) -> str:
    """Return words as a tooltip takes them: no markup, no template of a script."""
    text = escape("; ".join(words))
    return text.replace("`", "&#96;").replace("$", "&#36;").replace("\\", "&#92;")


def _ways(lights: pd.DataFrame, sections: pd.DataFrame) -> dict[str, list[Any]]:
    """Return the lines of each circuit: from each section's light to its upstream's."""
    some = lights[(lights["section_id"] != "") & lights["longitude"].notna()]
    place = some.groupby("section_id")[["latitude", "longitude"]].first()
    both = sections[["section_id", "circuit_id", "upstream_section_id"]].join(
        place, on="section_id", how="inner"
    )
    both = both.join(place.add_suffix("_up"), on="upstream_section_id", how="inner")
    lines: dict[str, list[Any]] = {}
    columns = ["latitude_up", "longitude_up", "latitude", "longitude"]
    for circuit, ends in zip(
        both["circuit_id"], both[columns].to_numpy(float).round(6).tolist(), strict=True
    ):
        lines.setdefault(str(circuit), []).append([ends[:2], ends[2:]])
    return lines


def _circuits(
    chart: folium.Map, found: Sequence[BadCircuit], ways: dict[str, list[Any]]
) -> None:
    for one in sorted(found, key=lambda one: one.excess.ratio):
        if one.circuit_id not in ways:
            continue
        which = class_of(one.excess.ratio)
        words = _plain(
            (
                f"circuit {one.circuit_id}",
                f"{one.excess.failures} faults, {one.excess.expected:.1f} expected",
                f"excess {one.excess.ratio:.2f} "
                f"({one.excess.low:.2f} to {one.excess.high:.2f})",
                f"{one.next_2y:.2f} to come in two years",
            )
        )
        polyline: Any = folium.PolyLine
        line: Any = polyline(
            ways[one.circuit_id],
            color=COLOURS[which],
            weight=WIDTHS[which],
            dash_array=None if one.feed == "overhead" else UNDERGROUND,
            opacity=0.9,
            tooltip=folium.Tooltip(words),
        )
        line._id = f"circuit_{len(chart._children)}"
        for child in line._children.values():
            child._id = f"words_{len(chart._children)}"
        line.add_to(chart)


def _lights(
    chart: folium.Map, found: Sequence[RepeatLight], lights: pd.DataFrame
) -> int:
    place = lights.set_index("light_id")[["latitude", "longitude", "pole_id"]]
    often = sorted(
        (one for one in found if one.light_id in place.index),
        key=lambda one: (-one.excess.failures, one.light_id),
    )
    often = [one for one in often if one.excess.failures >= FAILED[0]][:MOST_LIGHTS]
    for number, one in enumerate(reversed(often)):
        at = place.loc[one.light_id]
        words = _plain((f"light {at['pole_id'] or one.light_id}", one.why, *one.ask))
        size = int(np.searchsorted(FAILED, one.excess.failures, side="right"))
        mark = folium.CircleMarker(
            (round(float(at["latitude"]), 6), round(float(at["longitude"]), 6)),
            radius=1.5 + 1.8 * (size - 1),
            color="#111",
            weight=1,
            fill=True,
            fill_color="#fff" if size == 1 else "#111",
            fill_opacity=0.9,
            tooltip=folium.Tooltip(words),
        )
        mark._id = f"light_{number}"
        for child in mark._children.values():
            child._id = f"said_{number}"
        mark.add_to(chart)
    return len(often)


def _roads(chart: folium.Map, roads: gpd.GeoDataFrame) -> None:
    lines = [
        [(round(y, 6), round(x, 6)) for x, y in part.coords]
        for shape in roads.geometry
        if shape is not None
        for part in getattr(shape, "geoms", [shape])
        if part.geom_type == "LineString"
    ]
    if lines:
        polyline: Any = folium.PolyLine
        line: Any = polyline(lines, color="#d9d4c8", weight=1, interactive=False)
        line._id = "roads"
        line.add_to(chart)


def again_map(
    found: Repeats,
    lights: pd.DataFrame,
    sections: pd.DataFrame,
    roads: gpd.GeoDataFrame,
    *,
    as_of: str,
    place: str,
) -> str:
    """Draw repeat failures, as one HTML page that needs no network.

    Parameters
    ----------
    found
        What fails again.
    lights, sections, roads
        As the register has them; longitude, latitude [degrees, WGS 84].
    as_of
        When that was known, written.
    place
        Name of the place.

    Returns
    -------
    str
        The page. The same input gives the same text.
    """
    chart = folium.Map(tiles=None, zoom_control=False, prefer_canvas=True)
    chart.options["maxZoom"] = 20
    chart.options["attributionControl"] = False  # the page says what draws it
    chart._id = "again"
    _roads(chart, roads)
    _circuits(chart, found.circuits, _ways(lights, sections))
    drawn = _lights(chart, found.lights, lights)
    placed = lights.dropna(subset=["longitude", "latitude"])
    if len(placed):
        box = placed[["latitude", "longitude"]].agg(["min", "max"]).to_numpy().tolist()
        fit = folium.FitBounds(box)
        fit._id = "fit"
        fit.add_to(chart)
    figure = AgainFigure(
        {
            "title": f"Repeat failures, {place}",
            "as_of": as_of,
            "classes": classes(),
            "underground": UNDERGROUND,
            "failed": ("3", "4 or 5", "6 and more"),
            "drawn": drawn,
            "cautions": CAUTIONS,
        }
    )
    figure.add_child(chart)
    return figure.render()
