"""Public street networks as roads with a light every 40 m, loaded for real."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from html.parser import HTMLParser
from itertools import accumulate
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Geod

from lightwatch.decisions.triage import METHOD, Outage, outages
from lightwatch.lives import lives
from lightwatch.mapview import outage_map
from lightwatch.register import Register
from tests.packages import Taken, packaged, take_in, write_package
from tests.published.printed import printed

SPACING_M = 40.0
PER_DEGREE = 100_000

METHODS = (
    "methods/trade.md section 4, computed with geopandas on the file as libpysal 4.14.1"
    " and momepy carry it"
)
US_SURVEY_FOOT_M = 1200 / 3937
"""By definition, 1200/3937 m; the file's own .prj says 0.304800609601219."""


@dataclass(frozen=True)
class Network:
    """A public network as it was written into a package, and as it came back."""

    streets: gpd.GeoDataFrame
    unit_m: float
    taken: Taken

    @property
    def register(self) -> Register:
        return self.taken.register

    @property
    def roads(self) -> gpd.GeoDataFrame:
        return self.register.known.roads


def _road(name: str, line: shapely.LineString) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {
            "road_id": name, "name": f"{name} Street", "class": "residential",
            "speed_kmh": 40, "one_way": False,
        },
        "geometry": shapely.geometry.mapping(line),
    }  # fmt: skip


def _lit(folder: Path, streets: gpd.GeoDataFrame, unit_m: float) -> Network:
    """Write streets with a light every 40 m of the file's own length, and load."""
    names = [f"R{i:03}" for i in range(1, len(streets) + 1)]
    along = [
        np.arange(0.0, line.length, SPACING_M / unit_m) for line in streets.geometry
    ]
    points = gpd.GeoSeries(
        np.concatenate(
            [
                shapely.line_interpolate_point(line, steps)
                for line, steps in zip(streets.geometry, along, strict=True)
            ]
        ),
        crs=streets.crs,
    ).to_crs("EPSG:4326")
    road_of = np.repeat(names, [len(steps) for steps in along])
    lights = [
        {
            "light_id": f"L{i:05}",
            "longitude": f"{point.x:.7f}",
            "latitude": f"{point.y:.7f}",
            "road_id": road,
            "circuit_id": f"C-{road}",
            "section_id": f"S-{road}",
            "technology": "led",
        }
        for i, (road, point) in enumerate(zip(road_of, points, strict=True), 1)
    ]
    longest = names[int(np.argmax(streets.length))]
    dark = [row["light_id"] for row in lights if row["road_id"] == longest][-3:]
    tables = {
        "circuits": [
            {"circuit_id": f"C-{name}", "feed": "underground", "control": "own"}
            for name in names
        ],
        "sections": [
            {
                "section_id": f"S-{name}",
                "circuit_id": f"C-{name}",
                "kind": "underground_direct",
                "length_m": f"{line.length * unit_m:.2f}",
            }
            for name, line in zip(names, streets.geometry, strict=True)
        ],
        "lights": lights,
        "reports": [
            {
                "report_id": f"Q{i}",
                "received_at": f"2025-09-2{i}T21:30",
                "light_id": light,
                "symptom": "out",
            }
            for i, light in enumerate(dark, 1)
        ],
    }
    package = write_package(
        folder,
        tables,
        created="2025-10-01T00:00:00Z",
        opened_on="2020-01-01",
        roads=[
            _road(name, line)
            for name, line in zip(
                names, streets.to_crs("EPSG:4326").geometry, strict=True
            )
        ],
    )
    return Network(streets, unit_m, take_in(package))


@pytest.fixture(scope="module")
def tempe(tmp_path_factory: pytest.TempPathFactory) -> Network:
    """The streets of libpysal's geodanet: State Plane, in US survey feet."""
    path = packaged("libpysal", "examples", "geodanet", "streets.shp")
    folder = tmp_path_factory.mktemp("tempe") / "package"
    return _lit(folder, gpd.read_file(path), US_SURVEY_FOOT_M)


@pytest.fixture(scope="module")
def bubenec(tmp_path_factory: pytest.TempPathFactory) -> Network:
    """The streets of momepy's bubenec: web Mercator, whose metres are not metres."""
    path = packaged("momepy", "datasets", "bubenec.gpkg")
    folder = tmp_path_factory.mktemp("bubenec") / "package"
    return _lit(folder, gpd.read_file(path, layer="streets"), 1.0)


@pytest.fixture(params=["tempe", "bubenec"])
def network(request: pytest.FixtureRequest) -> Network:
    found: Network = request.getfixturevalue(request.param)
    return found


def _geodesic_m(lines: gpd.GeoSeries) -> float:
    ellipsoid = Geod(ellps="WGS84")
    return sum(ellipsoid.geometry_length(line) for line in lines)


def test_every_street_and_every_light_of_the_file_is_taken_in_and_none_told_off(
    network: Network,
) -> None:
    lit = sum(
        int(np.ceil(line.length * network.unit_m / SPACING_M))
        for line in network.streets.geometry
    )
    counts = network.taken.outcome.counts

    assert network.taken.outcome.rejects == []
    assert network.taken.outcome.warnings == []
    assert counts["roads"].loaded == len(network.streets) == len(network.roads)
    assert counts["lights"].loaded == lit == len(network.register.standing)


def test_the_streets_of_tempe_are_293_lines_of_104_414_feet(tempe: Network) -> None:
    assert len(tempe.roads) == printed("293", METHODS)
    back = tempe.roads.to_crs(tempe.streets.crs)
    assert back.length.sum() == printed("104414", METHODS)


def test_the_streets_of_tempe_are_31_8_km_on_the_ground(tempe: Network) -> None:
    """The known figure, on the ellipsoid; feet read as metres would give 104 km."""
    assert _geodesic_m(tempe.roads.geometry) / 1000 == printed("31.8", METHODS)


def test_the_streets_of_tempe_lie_where_tempe_is(tempe: Network) -> None:
    west, south, east, north = tempe.roads.total_bounds

    assert (south + north) / 2 == pytest.approx(33.41, abs=0.01), METHODS
    assert (west + east) / 2 == pytest.approx(-111.83, abs=0.01), METHODS


def test_the_file_s_own_column_of_lengths_is_what_came_back(tempe: Network) -> None:
    """The shapefile has each street's length [feet] in a column, made by another
    program; its rows are in another order than the lines, so both are sorted."""
    back = np.sort(tempe.roads.to_crs(tempe.streets.crs).length)

    assert back == pytest.approx(np.sort(tempe.streets["Length"]), abs=0.05)


def test_the_streets_of_bubenec_are_35_lines_of_5_95_km_of_web_mercator(
    bubenec: Network,
) -> None:
    assert len(bubenec.roads) == printed("35", METHODS)
    back = bubenec.roads.to_crs(bubenec.streets.crs)
    assert back.length.sum() / 1000 == printed("5.95", METHODS)


def test_a_web_mercator_kilometre_of_bubenec_is_shorter_on_the_ground(
    bubenec: Network,
) -> None:
    """Web Mercator stretches by 1 / cos(latitude) on the sphere; within half a per
    cent of that on the ellipsoid (Snyder, Map Projections, USGS PP 1395, section 7,
    from memory)."""
    _, south, _, north = bubenec.roads.total_bounds
    stretched_m = bubenec.streets.length.sum()
    expected_m = stretched_m * np.cos(np.radians((south + north) / 2))

    assert _geodesic_m(bubenec.roads.geometry) == pytest.approx(expected_m, rel=0.005)


def test_lights_stand_on_the_road_that_they_are_said_to_light(network: Network) -> None:
    """Within a decimetre: coordinates are written to seven decimals of a degree."""
    to = network.streets.crs
    roads = network.roads.to_crs(to).set_index("road_id").geometry
    lights = network.register.known.lights
    points = gpd.GeoSeries.from_xy(
        lights["longitude"], lights["latitude"], crs="EPSG:4326"
    ).to_crs(to)
    lines = gpd.GeoSeries(roads.loc[lights["road_id"]].to_numpy(), crs=to)

    assert (points.distance(lines) * network.unit_m).max() < 0.1


def _found(network: Network) -> tuple[list[Outage], str]:
    register = network.register
    known = register.known
    found = list(outages(lives(register)))
    page = outage_map(
        found,
        register.standing,
        known.sections,
        known.circuits,
        known.roads,
        as_of=known.clock.at(known.as_of),
        place=known.place["name"],
        method=METHOD,
    )
    return found, page


def _decoded(line: list[int]) -> np.ndarray:
    x, y = accumulate(line[::2]), accumulate(line[1::2])
    return np.column_stack([list(x), list(y)]) / PER_DEGREE


def test_the_outage_map_holds_every_street_where_it_lies(network: Network) -> None:
    found, page = _found(network)
    match = re.search(r'<script type="application/json" id="data">(.*?)</script>', page)
    assert match is not None
    drawn = json.loads(match.group(1))["roads"]
    lines = [_decoded(line) for some in drawn["lines"].values() for line in some]
    ends = {tuple(np.rint(line[[0, -1]] * 1e5).astype(int).ravel()) for line in lines}
    own = {
        tuple(np.rint(np.array(line.coords)[[0, -1], :2] * 1e5).astype(int).ravel())
        for line in network.roads.geometry
    }

    assert page.lower().startswith("<!doctype html>")
    assert len(lines) == len(network.streets)
    assert ends == own
    assert {light for one in found for light in one.reported} == set(
        network.register.known.reports["light_id"]
    )
    assert len(found) >= 1


class _Loaded(HTMLParser):
    """Addresses that a page's elements would load."""

    def __init__(self) -> None:
        super().__init__()
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        name = "href" if tag in ("link", "use", "image") else "src"
        self.addresses += [told[name] or ""] if name in told else []


def test_the_outage_map_loads_nothing_from_another_host(network: Network) -> None:
    _, page = _found(network)
    loaded = _Loaded()
    loaded.feed(page)

    assert "default-src 'none'" in page
    assert [at for at in loaded.addresses if not at.startswith(("#", "data:"))] == []
