"""Decisions on a map: one HTML file that opens anywhere, with no network."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import branca.element
import folium
import geopandas as gpd
import jinja2
import pandas as pd
from markupsafe import Markup

from lightwatch.decisions.triage.apart import Far
from lightwatch.decisions.triage.outage import Outage
from lightwatch.mapview.card import before_work_lines, stamp
from lightwatch.mapview.offline import OfflineFigure
from lightwatch.mapview.scene import (
    Scene,
    all_lights,
    coded,
    counts,
    road_lines,
    safe_json,
)

LIGHT_COLUMNS = [
    *("light_id", "pole_id", "longitude", "latitude", "road_id", "circuit_id"),
    *("section_id", "technology", "owner", "maintained_by", "feed_owner"),
]


class _Start(branca.element.MacroElement):
    """Hand the map to ``map.js``, which reads the data from the page."""

    _template = jinja2.Template(
        "{% macro script(this, kwargs) %}"
        "lightwatch({{ this._parent.get_name() }});"
        "{% endmacro %}"
    )


def outage_map(
    outages: Sequence[Outage],
    lights: pd.DataFrame,
    sections: pd.DataFrame,
    circuits: pd.DataFrame,
    roads: gpd.GeoDataFrame,
    *,
    as_of: datetime,
    place: str,
    method: str,
    far: Sequence[Far] = (),
) -> str:
    """Draw open outages on their circuits, as one HTML page that needs no network.

    Suspected shared faults are the large marks, with the likely dark stretch thick
    along the circuit; lights on their own are small dots. What feeds them shows in
    shape and line pattern, so that it survives a black-and-white print.

    Parameters
    ----------
    outages
        Every open trouble.
    lights
        The register's lights; longitude, latitude [degrees, WGS 84].
    sections
        Supply sections, each with the one upstream of it ('' at the source).
    circuits
        Circuits; longitude, latitude of the source [degrees, WGS 84] or NaN.
    roads
        Road lines in WGS 84; may be empty.
    as_of
        When the outages were judged.
    place
        Name of the place.
    method
        How the outages were judged, in one line.
    far
        Open reports with no light near: small hollow marks.

    Returns
    -------
    str
        The page. The same input gives the same text.
    """
    lights = lights.reindex(columns=LIGHT_COLUMNS)
    scene = Scene.of(outages, lights, sections, circuits, as_of)
    data = scene.payload() | {
        "roads": road_lines(roads),
        "lights": all_lights(lights),
        "far": [[*coded([(one.longitude, one.latitude)]), str(one)] for one in far],
    }
    figure = OfflineFigure(
        {
            "place": place,
            "method": method,
            "as_of": stamp(as_of, as_of),
            "groups": scene.groups(),
            "counts": counts(outages),
            "lights_in_all": len(lights),
            "no_roads": not len(roads),
            "far_in_all": len(far),
            "before_work": before_work_lines(),
            "data": Markup(safe_json(data)),
        }
    )
    chart = folium.Map(tiles=None, zoom_control=False, zoom_snap=0.25)
    chart.options["maxZoom"] = 20
    chart._id = "outages"
    chart.add_child(_Start())  # type: ignore[no-untyped-call]
    figure.add_child(chart)
    return figure.render()
