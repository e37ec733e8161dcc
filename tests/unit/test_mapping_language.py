"""What a mapping can say of files as offices have them, made from what they hold."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
from shapely.geometry import Point

from lightwatch.errors import LightwatchError, NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.dates import date_turn
from lightwatch.observations.guarding import lies_inside
from lightwatch.observations.looking import look_at
from lightwatch.observations.places import layer_names, read_places
from lightwatch.store import Store
from tests.mapped_town import mapped_town, take_in_mapped

WINTER = LocalTime("America/Chicago")


def rows(store: Store, resource: str, *columns: str) -> list[tuple[str, ...]]:
    return [tuple(row[c] or "" for c in columns) for row in store.rows(resource)]


def loaded(tmp_path: Path, files: dict[str, str], **tables: str):
    store, outcome = take_in_mapped(*mapped_town(tmp_path / "town", files, **tables))
    return store, outcome


LIGHTS = """\
[lights]
file = "register.csv"
crs = "EPSG:4326"
columns = { light_id = "NO", longitude = "X", latitude = "Y", technology = "%s"%s }
"""
NO_PARTS = {
    "components": 'file = "none.csv"\ncolumns = { light_id = "l", kind = "k" }',
    "repairs": 'file = "jobs0.csv"\ncolumns = { repair_id = "r", performed_at = "p",'
    ' light_id = "l", action = "a" }',
}
EMPTY = {"none.csv": "l,k\n", "jobs0.csv": "r,p,l,a\n"}


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("2005/01/01 06:00:00+00", "2005-01-01"),
        ("2005/01/01 05:59:59+00", "2004-12-31"),
        ("2005-07-01 05:00:00+00:00", "2005-07-01"),
        ("2005-07-01T04:59:00Z", "2005-06-30"),
        ("6/3/2013 0:00:00", "2013-06-03"),
        ("6/3/2013 12:00:00 AM", "2013-06-03"),
        ("1104559200000", "2005-01-01"),
        ("1104559200", "2005-01-01"),
        ("20050101", "2005-01-01"),
        ("03-Apr-2019", "2019-04-03"),
        ("Apr 3, 2019", "2019-04-03"),
    ],
)
def test_a_day_is_the_day_at_the_place_in_summer_and_winter(text, read):
    """06:00 UTC is midnight in Chicago in winter (UTC-6), 05:00 in summer (UTC-5)."""
    assert date_turn("month-first", day=True, clock=WINTER)(text) == read


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("2005/01/01 06:00:00+00", "2005-01-01T06:00:00+00:00"),
        ("2005/01/01 06:00", "2005-01-01T06:00"),
        ("6/3/2013 0:00:00", "2013-06-03T00:00:00"),
        ("6/3/2013 11:05:09 PM", "2013-06-03T23:05:09"),
        ("1104559200000", "2005-01-01T06:00:00+00:00"),
        ("20050101 0700", None),
    ],
)
def test_a_time_keeps_its_offset(text, read):
    turn = date_turn("month-first", clock=WINTER)
    if read is None:
        with pytest.raises(NotUnderstood):
            turn(text)
    else:
        assert turn(text) == read
        assert WINTER.instant(read)


def test_watts_and_lamp_are_read_out_of_one_text_and_the_text_is_kept(tmp_path):
    text = "NO,X,Y,WATTS\n1,15.64,47.32,286(LED)\n2,15.641,47.32,HPS 100W\n"
    said = (
        LIGHTS % ("WATTS", ', watts = "WATTS"')
        + """\
take = { watts = "number" }
[lights.rules.technology]
has_word = { "LED" = "led", "HPS" = "hps" }
"""
    )
    store, outcome = loaded(
        tmp_path, {**EMPTY, "register.csv": text}, lights=said, **NO_PARTS
    )
    assert outcome.rejects == []
    assert rows(store, "lights", "watts", "technology") == [
        ("286", "led"), ("100", "hps"),
    ]  # fmt: skip
    assert json.loads(rows(store, "lights", "extra")[0][0]) == {
        "WATTS (theirs)": "286(LED)"
    }


def test_a_column_that_only_shares_our_name_is_not_ours(tmp_path):
    text = "NO,X,Y,TYPE,WATTS,Owner\n1,15.64,47.32,led,286(LED),parks\n"
    store, outcome = loaded(
        tmp_path,
        {**EMPTY, "register.csv": text},
        lights=LIGHTS % ("TYPE", ""),
        **NO_PARTS,
    )
    assert outcome.rejects == []
    assert rows(store, "lights", "watts", "owner") == [("", "")]
    kept = json.loads(rows(store, "lights", "extra")[0][0])
    assert kept == {"WATTS (theirs)": "286(LED)", "Owner (theirs)": "parks"}


@pytest.mark.parametrize("blank", ["N/A", "<Null>", "-", "none", "Unknown", "null"])
def test_a_text_that_says_nothing_is_there_is_blank(tmp_path, blank):
    text = f"NO,X,Y,TYPE,W\n1,15.64,47.32,led,{blank}\n"
    store, outcome = loaded(
        tmp_path,
        {**EMPTY, "register.csv": text},
        lights=LIGHTS % ("TYPE", ', watts = "W"'),
        **NO_PARTS,
    )
    assert outcome.rejects == []
    assert rows(store, "lights", "watts") == [("",)]


JOBS = """\
Job,Done,Pole,Work
W1,2016-02-05,SL-01,Replaced lamp and cleaned
W2,2016-03-05,"SL-03, SL-04;SL-05",mended cable
W3,2016-04-05,SL-02,Tree cutting
W4,2016-05-05,SL-06,checked
"""
JOBS_MAP = """\
file = "jobs.csv"
columns = { repair_id = "Job", performed_at = "Done", light_id = "Pole", \
action = "Work", cause = "Work" }
split = { light_id = [",", ";"] }
trim = { light_id = { off_front = "SL-", put_before = "L" } }
[repairs.only]
Work = { is_not = ["tree cutting"] }
Pole = { filled = true }
[repairs.rules.action]
begins = { "replaced" = "replaced" }
contains = { "mend" = "repaired" }
otherwise = "no_fault_found"
[repairs.rules.cause]
has_word = { "lamp" = "lamp", "cable" = "cable_fault" }
otherwise = "unknown"
"""


def test_rules_filters_trimmed_numbers_and_several_poles_in_a_cell(tmp_path):
    store, outcome = loaded(tmp_path, {"jobs.csv": JOBS}, repairs=JOBS_MAP)
    assert outcome.rejects == []
    assert rows(store, "repairs", "key", "light_id", "action", "cause") == [
        ("W1", "L01", "replaced", "lamp"),
        ("W2", "L03", "repaired", "cable_fault"),
        ("W2/2", "L04", "repaired", "cable_fault"),
        ("W2/3", "L05", "repaired", "cable_fault"),
        ("W4", "L06", "no_fault_found", "unknown"),
    ]
    assert "mended cable" in rows(store, "repairs", "extra")[2][0]


POLES = """\
NO,X,Y,TYPE,W,TYPE2,W2,N
1,15.64,47.32,HPS/Induction,100,,0,2
2,15.641,47.32,LED,40,MH,70,1
3,15.642,47.32,LED,40,N/A,,1
4,15.643,47.32,LED,40,,,3
"""


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ('split = "/"', [("1", "hps", "100"), ("2", "led", "40"), ("3", "led", "40"),
                         ("4", "led", "40"), ("1-2", "induction", "100")]),
        ('sets = [ { technology = "TYPE2", watts = "W2" } ]',
         [("1", "", "100"), ("2", "led", "40"), ("3", "led", "40"), ("4", "led", "40"),
          ("2-2", "mh", "70")]),
        ('count = "N"\nsplit = "/"',
         [("1", "hps", "100"), ("2", "led", "40"), ("3", "led", "40"),
          ("4", "led", "40"), ("1-2", "induction", "100"), ("4-2", "led", "40"),
          ("4-3", "led", "40")]),
    ],
)  # fmt: skip
def test_each_lantern_of_a_pole_is_a_light_of_its_own(tmp_path, said, expected):
    lamps = 'technology = { "HPS" = "hps", "Induction" = "induction", "LED" = "led", '
    codes = lamps + '"MH" = "mh"%s }'
    text = (
        LIGHTS % ("TYPE", ', watts = "W"')
        + "[lights.codes]\n"
        + codes % (', "HPS/Induction" = ""' if "sets" in said else "")
        + f"\n[lights.lanterns]\n{said}"
    )
    store, outcome = loaded(
        tmp_path, {**EMPTY, "register.csv": POLES}, lights=text, **NO_PARTS
    )
    wrong = [one.key for one in outcome.rejects]
    got = rows(store, "lights", "key", "technology", "watts")
    assert got + [(key, "", "100") for key in wrong] == [
        one for one in expected if one[0] not in wrong
    ] + [one for one in expected if one[0] in wrong]
    poles = dict(rows(store, "lights", "key", "pole_id"))
    assert {k.split("-")[0] == pole for k, pole in poles.items()} == {True}


def test_circuits_come_out_of_the_cabinets_of_the_lights(tmp_path):
    text = "NO,X,Y,TYPE,CAB\n1,15.64,47.32,led,A\n2,15.641,47.32,led,A\n"
    text += "3,15.642,47.32,led,B\n4,15.643,47.32,led,\n"
    circuits = """\
file = "register.csv"
distinct = true
columns = { circuit_id = "CAB" }
constants = { feed = "underground" }
"""
    store, outcome = loaded(
        tmp_path,
        {**EMPTY, "register.csv": text},
        lights=LIGHTS % ("TYPE", ', circuit_id = "CAB"'),
        circuits=circuits,
        sections='file = "none.csv"\n[sections.columns]\nsection_id = "l"\n'
        'circuit_id = "k"',
        **NO_PARTS,
    )
    assert outcome.rejects == []
    assert outcome.counts["circuits"].read == 2
    assert rows(store, "circuits", "key") == [("A",), ("B",)]


def test_everything_that_is_wrong_with_a_mapping_is_told_at_once(tmp_path):
    made = mapped_town(
        tmp_path / "town",
        lights='file = "lights.csv"\ndates = "?"\n[lights.columns]\nwat = "W"',
        circuits='file = "circuits.csv"\n[circuits.only]\nFEED = 3',
        repairs='file = "repairs.csv"\n[repairs.rules.action]\ncontains = { a = "b" }',
        reading='length = "cubits"',
    )
    with pytest.raises(LightwatchError) as refused:
        take_in_mapped(*made)
    said = str(refused.value).splitlines()
    assert len(said) == 5
    for line, part in zip(sorted(said), sorted(said), strict=True):
        assert line == part
    for part in ("still", "wat", "FEED", "'b'", "cubits"):
        assert sum(part in line for line in said) >= 1, part


# What may be opened -----------------------------------------------------------------


def test_links_and_files_that_are_not_what_they_say_are_not_opened(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    (tmp_path / "secret.csv").write_text("a,b\n1,2\n", "utf-8")
    (folder / "link.csv").symlink_to(tmp_path / "secret.csv")
    (folder / "odd.json").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>/etc/passwd'
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        "utf-8",
    )
    (folder / "odd.gpkg").write_text("<GDAL_WMS/>", "utf-8")
    found, left = look_at(folder)
    assert found == []
    assert len(left) == 3
    for name, why in (("link.csv", "is a link"),
                      ("odd.json", "no GeoJSON file"),
                      ("odd.gpkg", "no GPKG file")):  # fmt: skip
        assert any(line.startswith(name) and why in line for line in left), name


def test_a_mapping_does_not_follow_a_link_out_of_the_folder(tmp_path):
    folder, mapping = mapped_town(tmp_path / "town", lights='file = "l.csv"')
    (tmp_path / "l.csv").write_text((folder / "lights.csv").read_text("utf-8"), "utf-8")
    (folder / "l.csv").symlink_to(tmp_path / "l.csv")
    with pytest.raises(NotUnderstood, match="is a link"):
        take_in_mapped(folder, mapping)


LINE = '{"type": "Feature", "properties": {}, "geometry": null}'
REACHING = {
    "a command": '{"type": "gdal_streamed_alg", "command_line": "gdal vector convert '
    '/vsicurl/http://127.0.0.1:%d/a.json out", "relative_paths": false, "x": '
    + LINE
    + "}",
    "a system by link": '{"type": "FeatureCollection", "crs": {"type": "link", '
    '"properties": {"href": "http://127.0.0.1:%d/crs"}}, "features": [' + LINE + "]}",
    "a system by address": '{"type": "FeatureCollection", "crs": {"type": "name", '
    '"properties": {"name": "http://127.0.0.1:%d/crs"}}, "features": [' + LINE + "]}",
    "a link twice": '{"type": "FeatureCollection", "crs": {"type": "url", '
    '"properties": {"url": "http://127.0.0.1:%d/crs"}}, "crs": {"type": "name", '
    '"properties": {"name": "EPSG:4326"}}, "features": [' + LINE + "]}",
    "another kind": '{"layers": [{"name": "a"}], "at": "http://127.0.0.1:%d", "x": '
    + LINE
    + "}",
}


@pytest.mark.parametrize("text", REACHING.values(), ids=REACHING)
def test_a_file_of_shapes_asks_no_other_machine(tmp_path, text):
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.2)
        path = tmp_path / "a.json"
        path.write_text(text % server.getsockname()[1], "utf-8")
        with pytest.raises(NotUnderstood, match="no GeoJSON file"):
            list(read_places(path, layer=None, crs=None, at_once=None))
        with pytest.raises(TimeoutError):
            server.accept()


def test_only_the_named_ways_of_reading_shapes_are_left(tmp_path):
    path = tmp_path / "a.json"
    path.write_text('{"type": "FeatureCollection", "features": [' + LINE + "]}")
    assert layer_names(path) == ["a"]
    assert set(pyogrio.list_drivers()) == {"GPKG", "GeoJSON", "ESRI Shapefile"}
    (tmp_path / "b.csv").write_text("a,b\n1,2\n", "utf-8")
    with pytest.raises(pyogrio.errors.DataSourceError):
        pyogrio.read_info(tmp_path / "b.csv")


def test_a_companion_or_a_folder_that_is_a_link_is_not_followed(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[Point(15, 47)], crs=4326)
    frame.to_file(folder / "a.shp")
    assert len(look_at(folder)[0]) == 1
    (folder / "a.dbf").rename(tmp_path / "a.dbf")
    (folder / "a.dbf").symlink_to(tmp_path / "a.dbf")
    found, left = look_at(folder)
    assert not found
    assert "is a link" in left[0]
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "b.csv").write_text("a,b\n1,2\n", "utf-8")
    (folder / "sub").symlink_to(tmp_path / "other")
    assert not lies_inside(folder, folder / "sub" / "b.csv")


def test_a_geopackage_with_tables_that_stand_for_others_is_refused(tmp_path):
    import sqlite3

    path = tmp_path / "a.gpkg"
    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[Point(15, 47)], crs=4326)
    frame.to_file(path, driver="GPKG")
    assert layer_names(path) == ["a"]
    with sqlite3.connect(path) as database:
        database.execute("pragma writable_schema = on")
        database.execute(
            "insert into sqlite_master values ('table', 'out', 'out', 0, "
            "'create virtual table out using VirtualOGR(''http://127.0.0.1/x'')')"
        )
    with pytest.raises(NotUnderstood, match="no GPKG file"):
        layer_names(path)
