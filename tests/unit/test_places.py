"""Shapes in any coordinate system become degrees, metres and road segments."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from shapely.geometry import LineString, MultiLineString, MultiPoint, Point

from lightwatch.errors import NotUnderstood
from lightwatch.observations.drafting import draft
from lightwatch.observations.places import metres, read_places, to_degrees
from tests.mapped_town import mapped_town, take_in_mapped
from tests.towns import TABLES, rows_of

LIGHTS = rows_of(TABLES["lights"])[1]
POINTS = [Point(float(r["longitude"]), float(r["latitude"])) for r in LIGHTS]
UTM = "EPSG:32633"
"""The zone in which the little town lies."""

LIGHTS_MAP = """\
file = "{file}"
[lights.columns]
light_id = "No"
circuit_id = "Circuit"
section_id = "Section"
technology = "Lamp"
"""


def lights(crs: str) -> gpd.GeoDataFrame:
    names = {"light_id": "No", "circuit_id": "Circuit", "section_id": "Section",
             "technology": "Lamp"}  # fmt: skip
    columns = {new: [row[old] for row in LIGHTS] for old, new in names.items()}
    return gpd.GeoDataFrame(columns, geometry=POINTS, crs=4326).to_crs(crs)


def town(tmp_path: Path, file: str, **tables: str) -> tuple[Path, Path]:
    said = {"lights": LIGHTS_MAP.format(file=file), **tables}
    return mapped_town(tmp_path / "town", **said)


@pytest.mark.parametrize("crs", ["EPSG:4326", UTM, "EPSG:3857", "EPSG:31287"])
@pytest.mark.parametrize("file", ["lights.gpkg", "lights.shp", "lights.geojson"])
def test_points_of_any_system_come_back_to_the_same_degrees(tmp_path, crs, file):
    folder, mapping = town(tmp_path, file)
    lights(crs).to_file(folder / file)
    store, outcome = take_in_mapped(folder, mapping)
    assert outcome.rejects == []
    for row, point in zip(store.rows("lights"), POINTS, strict=True):
        assert float(row["longitude"]) == pytest.approx(point.x, abs=2e-7)
        assert float(row["latitude"]) == pytest.approx(point.y, abs=2e-7)


def test_metres_that_are_said_to_be_degrees_are_refused_with_the_way_out(tmp_path):
    folder, mapping = town(tmp_path, "lights.geojson")
    frame = lights(UTM).set_crs(4326, allow_override=True)
    text = frame.to_json(drop_id=True)
    (folder / "lights.geojson").write_text(text, "utf-8")
    with pytest.raises(NotUnderstood, match=r'its numbers are no degrees.*crs = "EPSG'):
        take_in_mapped(folder, mapping)
    said = mapping.read_text("utf-8")
    mapping.write_text(
        said.replace('"lights.geojson"', f'"lights.geojson"\ncrs = "{UTM}"'), "utf-8"
    )
    store, outcome = take_in_mapped(folder, mapping)
    assert outcome.rejects == []
    first = next(iter(store.rows("lights")))
    assert float(first["longitude"]) == pytest.approx(15.64, abs=2e-7)


def test_a_file_without_a_system_is_refused_when_its_numbers_are_no_degrees(tmp_path):
    folder, mapping = town(tmp_path, "lights.shp")
    lights(UTM).to_file(folder / "lights.shp")
    (folder / "lights.prj").unlink()
    with pytest.raises(NotUnderstood, match="no coordinate system"):
        take_in_mapped(folder, mapping)


def test_the_degree_of_latitude_has_its_length():
    """1° of latitude at 45° is 111.131 km (any geodesy table; from memory)."""
    assert metres(LineString([(15, 44.5), (15, 45.5)])) == pytest.approx(111_131, abs=5)


SECTIONS_MAP = """\
file = "net.gpkg"
layer = "cables"
[sections.columns]
section_id = "No"
circuit_id = "Circuit"
"""


def cables(crs: str) -> gpd.GeoDataFrame:
    lines = [LineString([(15.64, 47.32), (15.64, 47.3209)]),
             MultiLineString([[(15.64, 47.32), (15.641, 47.32)],
                              [(15.641, 47.32), (15.642, 47.32)]]),
             LineString([(15.643, 47.321), (15.644, 47.321)])]  # fmt: skip
    columns = {"No": ["S1", "S2", "S5"], "Circuit": ["C1", "C1", "C2"],
               "Feet": [100.0, 200.0, 300.0]}  # fmt: skip
    return gpd.GeoDataFrame(columns, geometry=lines, crs=4326).to_crs(crs)


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", UTM])
def test_a_section_without_a_length_gets_it_from_its_line(tmp_path, crs):
    """Along the ellipsoid, whatever the system distorts: 0.0009° north is 100.06 m."""
    folder, mapping = mapped_town(tmp_path / "town", sections=SECTIONS_MAP)
    cables(crs).to_file(folder / "net.gpkg", layer="cables")
    store, _ = take_in_mapped(folder, mapping)
    lengths = [float(row["length_m"]) for row in store.rows("sections")]
    assert lengths[0] == pytest.approx(100.06, abs=0.02)
    assert lengths[1] == pytest.approx(2 * lengths[2], rel=1e-3)


def test_a_length_column_goes_before_the_line_and_its_feet_are_turned(tmp_path):
    said = SECTIONS_MAP.replace("[", 'length = "ft"\n[', 1) + 'length_m = "Feet"\n'
    folder, mapping = mapped_town(tmp_path / "town", sections=said)
    cables(UTM).to_file(folder / "net.gpkg", layer="cables")
    store, _ = take_in_mapped(folder, mapping)
    lengths = [row["length_m"] for row in store.rows("sections")]
    assert lengths == ["30.48", "60.96", "91.44"]


ROADS_MAP = """\
file = "net.gpkg"
layer = "streets"
speed = "mph"
[roads.columns]
road_id = "No"
speed_kmh = "Limit"
one_way = "Oneway"
[roads.codes.one_way]
Y = "true"
N = "false"
"""


def test_roads_come_with_their_lines_speeds_and_further_columns(tmp_path):
    lines = [LineString([(15.64, 47.32), (15.6415, 47.32)]),
             LineString([(15.64, 47.32), (15.64, 47.3204)]),
             Point(15.64, 47.32)]  # fmt: skip
    frame = gpd.GeoDataFrame(
        {"No": ["R1", "R2", "R3"], "Limit": [20, 30, 30], "Oneway": ["Y", "N", "?"],
         "Lanes": [1, 2, 2]}, geometry=lines, crs=4326)  # fmt: skip
    folder, mapping = mapped_town(tmp_path / "town", roads=ROADS_MAP)
    frame.to_crs(UTM).to_file(folder / "net.gpkg", layer="streets")
    store, outcome = take_in_mapped(folder, mapping)
    bad = {(r.row, r.key, r.column, r.value) for r in outcome.rejects}
    assert bad == {(3, "R3", "", ""), (3, "R3", "one_way", "?")}
    rows = list(store.rows("roads"))
    assert [row["one_way"] for row in rows] == ["true", "false"]
    speeds = [float(row["speed_kmh"]) for row in rows]
    assert speeds == pytest.approx([32.19, 48.28], abs=0.01)
    points = json.loads(rows[0]["geometry"])
    assert points[1] == pytest.approx([15.6415, 47.32], abs=2e-7)
    assert json.loads(rows[0]["extra"]) == {"Lanes": '"1"'}


def test_a_shape_of_the_wrong_kind_leaves_the_light_without_a_place(tmp_path):
    folder, mapping = town(tmp_path, "lights.gpkg")
    frame = lights("EPSG:4326")
    frame.loc[2, "geometry"] = LineString([(15.64, 47.32), (15.641, 47.32)])
    frame.loc[3, "geometry"] = MultiPoint([POINTS[3]])
    frame.to_file(folder / "lights.gpkg")
    _, outcome = take_in_mapped(folder, mapping)
    mine = [(r.row, r.key, r.column, r.reason) for r in outcome.rejects
            if r.resource == "lights"]  # fmt: skip
    assert {one[:3] for one in mine} == {
        (3, "L03", "longitude"),
        (3, "L03", "latitude"),
    }
    assert "is missing (column 'the shape' in the file)" in mine[0][3]


def test_columns_of_numbers_in_a_system_that_was_told_become_degrees():
    east, north = lights(UTM).geometry.x, lights(UTM).geometry.y
    lon, lat, outside = to_degrees(
        UTM, [f"{x:.3f}" for x in east], [f"{y:.3f}" for y in north], "a test"
    )
    assert outside == set()
    assert [float(x) for x in lon] == pytest.approx([p.x for p in POINTS], abs=1e-7)
    assert [float(y) for y in lat] == pytest.approx([p.y for p in POINTS], abs=1e-7)


def test_numbers_outside_a_system_are_told_and_blanks_stay_blank():
    lon, lat, outside = to_degrees(
        "EPSG:2193", ["", "abc", "1e30"], ["", "5", "1e30"], "a test"
    )
    assert (lon[:2], lat[:2]) == (["", "abc"], ["", "5"])
    assert outside == {2}


def test_a_coordinate_system_that_is_none_is_refused(tmp_path):
    with pytest.raises(NotUnderstood, match="crs 'EPSG:nonsense' is not known"):
        to_degrees("EPSG:nonsense", ["1"], ["2"], "a test")


def test_what_holds_no_shapes_is_refused_in_one_line(tmp_path):
    path = tmp_path / "net.gpkg"
    path.write_text("no database")
    with pytest.raises(NotUnderstood, match="cannot be read as shapes") as refused:
        next(read_places(path, layer=None, crs=None, at_once=None))
    assert "\n" not in str(refused.value)


def test_a_layer_that_is_not_there_is_refused_by_the_names_of_those_that_are(tmp_path):
    cables(UTM).to_file(tmp_path / "net.gpkg", layer="cables")
    with pytest.raises(NotUnderstood, match="it has cables"):
        next(read_places(tmp_path / "net.gpkg", layer="wires", crs=None, at_once=None))


def test_a_draft_takes_lines_for_sections_and_asks_for_a_system_that_is_missing(
    tmp_path,
):
    folder = tmp_path / "net"
    folder.mkdir()
    cables(UTM).to_file(folder / "sections.gpkg", layer="sections")
    lights(UTM).to_file(folder / "lights.shp")
    (folder / "lights.prj").unlink()
    text = draft(folder).text
    assert '\nlayer = "sections"' in text
    part = text[text.index("\n[lights]") : text.index("[lights.columns]")]
    assert '\ncrs = "?"' in part
    assert "states none" in part


def test_a_plain_table_in_a_geopackage_is_a_table(tmp_path):
    said = 'file = "net.gpkg"\nlayer = "feeds"\n[circuits.columns]\n'
    said += 'circuit_id = "No"\nfeed = "feed"\n'
    folder, mapping = mapped_town(tmp_path / "town", circuits=said)
    cables(UTM).to_file(folder / "net.gpkg", layer="cables")
    table = pd.DataFrame({"No": ["C1", "C2"], "feed": ["underground", "overhead"]})
    pyogrio.write_dataframe(table, folder / "net.gpkg", layer="feeds")
    store, outcome = take_in_mapped(folder, mapping)
    assert outcome.rejects == []
    assert [row["key"] for row in store.rows("circuits")] == ["C1", "C2"]
    (folder / "circuits.csv").unlink()
    text = draft(folder).text
    assert '[circuits]  # 2 rows looked at\nfile = "net.gpkg"\nlayer = "feeds"' in text
