"""Other people's tables: their names, codes, dates, units and encodings into ours."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightwatch.cli import main
from lightwatch.errors import LightwatchError, NotUnderstood
from lightwatch.observations.dates import date_turn
from lightwatch.observations.drafting import draft
from lightwatch.observations.export import export
from lightwatch.observations.mapped import MappedPackage
from lightwatch.observations.mapping import read_mapping
from lightwatch.observations.outcome import Outcome
from lightwatch.observations.source import Source, ours
from lightwatch.observations.tables import sniffed
from lightwatch.observations.turning import turned
from lightwatch.store import Store
from tests.mapped_town import mapped_town, take_in_mapped
from tests.towns import TABLES, little_town, new_store, take_in

REPAIRS = """\
Job;Done;Recorded;Lamp Post;What;How;Weather
J1;05/02/2016;06/02/2016;L01;Lampe;ersetzt;rain
J2;22/09/2016;23/09/2016;L03;Lampe;ersetzt;
"""
REPAIRS_MAP = """\
file = "jobs.csv"
delimiter = ";"
dates = "day-first"
[repairs.columns]
repair_id = "Job"
performed_at = "Done"
recorded_at = "Recorded"
light_id = "Lamp Post"
component = "What"
cause = "What"
action = "How"
[repairs.codes]
component = { "Lampe" = "lamp" }
cause = { "Lampe" = "lamp" }
action = { "ersetzt" = "replaced" }
"""


def stored(store: Store, resource: str, column: str) -> list[str]:
    return [row[column] or "" for row in store.rows(resource)]


def with_repairs(tmp_path: Path, text: str, **changes: str) -> tuple[Store, Outcome]:
    said = {"repairs": REPAIRS_MAP, **changes}
    return take_in_mapped(*mapped_town(tmp_path / "town", {"jobs.csv": text}, **said))


# Standard packages, as people send them ---------------------------------------------


@pytest.mark.parametrize("header", ["Circuit_ID;FEED;Source", " circuit id;Feed;source",
                                    "circuit-id;feed;SOURCE"])  # fmt: skip
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_case_spaces_semicolons_marks_and_line_ends_need_no_mapping(
    tmp_path, header, mark, ends
):
    text = f"{mark}{header}\nC2;overhead;ß\nC1;underground;Ä\n".replace("\n", ends)
    folder = little_town(tmp_path / "town", circuits=text.encode())
    store = new_store(tmp_path)
    assert take_in(store, folder).rejects == []
    assert sorted(stored(store, "circuits", "source")) == ["Ä", "ß"]
    assert store.header("circuits") == ["circuit_id", "feed", "source"]


def test_two_columns_that_differ_only_in_case_are_refused_by_both_names(tmp_path):
    text = TABLES["circuits"].replace("circuit_id,", "Circuit_ID,Circuit Id,", 1)
    folder = little_town(tmp_path / "town", circuits=text)
    with pytest.raises(NotUnderstood, match="as Circuit_ID and Circuit Id"):
        take_in(new_store(tmp_path), folder)


def test_a_further_column_whose_name_is_nearly_ours_stays_a_further_one(tmp_path):
    text = "circuit_id,feed,source,Source\nC1,underground,T1,a\nC2,overhead,T2,b\n"
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town", circuits=text))
    assert stored(store, "circuits", "source") == ["T1", "T2"]
    assert stored(store, "circuits", "extra") == ['{"Source": "a"}', '{"Source": "b"}']


def test_text_in_another_encoding_is_refused_with_its_line_and_the_way_out(tmp_path):
    text = TABLES["circuits"].replace("T2", "Übergabe").encode("latin-1")
    folder = little_town(tmp_path / "town", circuits=text)
    with pytest.raises(NotUnderstood) as refused:
        take_in(new_store(tmp_path), folder)
    said = str(refused.value)
    assert "circuits.csv, line 3: is not utf-8 text" in said
    assert '"encoding": "cp1252"' in said


@pytest.mark.parametrize(
    ("line", "delimiter"),
    [
        ("light_id,watts", ","),
        ("light_id;watts", ";"),
        ("light_id\twatts", "\t"),
        ("light_id;a,b,c,d", ";"),
        ("light_id", ","),
        ('light_id,"a;b;c;d",watts', ","),
    ],
)
def test_the_delimiter_is_the_one_that_finds_known_names(line, delimiter):
    assert sniffed(line, frozenset({"light_id", "watts"})) == delimiter


# A mapping --------------------------------------------------------------------------


def test_columns_codes_and_dates_are_read_as_the_mapping_says(tmp_path):
    store, outcome = with_repairs(tmp_path, REPAIRS)
    assert outcome.rejects == []
    assert stored(store, "repairs", "performed_at") == ["2016-02-05", "2016-09-22"]
    assert stored(store, "repairs", "component") == ["lamp", "lamp"]
    assert stored(store, "repairs", "action") == ["replaced", "replaced"]


def test_further_columns_are_kept_and_exported_again(tmp_path):
    store, _ = with_repairs(tmp_path, REPAIRS)
    export(store, tmp_path / "out")
    with (tmp_path / "out" / "repairs.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["Weather"] for row in rows] == ["rain", ""]


def test_a_bad_value_is_told_as_it_stands_in_their_file(tmp_path):
    text = REPAIRS.replace("22/09/2016;", "9/22/2016;").replace("L01;Lampe", "L01;Lmpe")
    _, outcome = with_repairs(tmp_path, text)
    told = {(r.row, r.key, r.column, r.value, r.reason) for r in outcome.rejects}
    assert [one[:4] for one in told] == [(3, "J2", "performed_at", "9/22/2016")]
    (reason,) = (one[4] for one in told)
    assert "impossible date when read day-first (column 'Done' in the file)" in reason
    (warned,) = (one for one in outcome.warnings if one[:2] == ("repairs", 2))
    assert "add it to [repairs.codes.component]: 'Lmpe'; left blank" in warned[2]


def test_the_line_of_a_bad_value_counts_title_lines_and_cells_with_breaks(tmp_path):
    text = "Jobs of the year\n\n" + REPAIRS.replace("rain", '"a\nb"').replace(
        "22/09/2016;", "never;")  # fmt: skip
    said = REPAIRS_MAP.replace("dates =", "header_row = 3\ndates =", 1)
    _, outcome = with_repairs(tmp_path, text, repairs=said)
    assert [(r.row, r.value) for r in outcome.rejects] == [(6, "never")]


def test_a_constant_fills_a_column_and_a_time_joins_its_day(tmp_path):
    text = REPAIRS.replace("Weather", "At").replace(";rain", ";7:05").replace(
        "ersetzt;\n", "ersetzt;4:30 pm\n")  # fmt: skip
    said = REPAIRS_MAP.replace('performed_at = "Done"', 'performed_at = ["Done", "At"]')
    said = said.replace('recorded_at = "Recorded"\n', "")
    said += '[repairs.constants]\ncrew = "Contractor"\n'
    store, outcome = with_repairs(tmp_path, text, repairs=said)
    assert outcome.rejects == []
    times = ["2016-02-05T07:05", "2016-09-22T16:30"]
    assert stored(store, "repairs", "performed_at") == times
    assert stored(store, "repairs", "crew") == ["Contractor", "Contractor"]


def test_one_file_of_ours_may_come_from_several_of_theirs(tmp_path):
    head, *rest = TABLES["lights"].splitlines()
    south = "\n".join([head, *rest[4:]]).replace("15.6445", "bad")
    files = {"north.csv": "\n".join([head, *rest[:4]]), "south.csv": south}
    folder, mapping = mapped_town(
        tmp_path / "town",
        files,
        lights='[[lights]]\nfile = "north.csv"\n[[lights]]\nfile = "south.csv"',
    )
    store, outcome = take_in_mapped(folder, mapping)
    assert len(stored(store, "lights", "key")) == 9
    assert [(r.row, r.key) for r in outcome.rejects if r.resource == "lights"] == [
        (5, "L08")
    ]


def test_parts_may_stand_in_columns_of_the_lights(tmp_path):
    head, *rest = TABLES["lights"].splitlines()
    wide = [f"{head},lamp,gear,fitted"] + [f"{row},LP-70,BL-70,3/2012" for row in rest]
    each = """
[[components]]
file = "wide.csv"
dates = "day-first"
columns = { light_id = "light_id", model = "%s", installed_on = "fitted" }
constants = { kind = "%s" }
"""
    folder, mapping = mapped_town(
        tmp_path / "town",
        {"wide.csv": "\n".join(wide)},
        lights='file = "wide.csv"',
        components=f"{each}{each}".strip() % ("lamp", "lamp", "gear", "ballast"),
    )
    store, outcome = take_in_mapped(folder, mapping)
    assert outcome.rejects == []
    parts = {(r["light_id"], r["kind"], r["model"]) for r in store.rows("components")}
    assert len(parts) == 20
    assert ("L10", "ballast", "BL-70") in parts
    assert set(stored(store, "components", "installed_on")) == {"2012-03"}


def test_feet_and_decimal_commas_become_metres(tmp_path):
    text = "No;Circuit;Feet\nS1;C1;1.000,5\nS2;C1;12.5\nS3;C1;\n"
    said = """\
file = "spans.csv"
delimiter = ";"
decimal_comma = true
length = "ft"
[sections.columns]
section_id = "No"
circuit_id = "Circuit"
length_m = "Feet"
"""
    made = mapped_town(tmp_path / "town", {"spans.csv": text}, sections=said)
    store, outcome = take_in_mapped(*made)
    assert stored(store, "sections", "length_m") == ["304.9524", "", ""]  # 1000.5 ft
    (warned,) = (one for one in outcome.warnings if one[0] == "sections")
    assert "'12.5'; left blank" in warned[2]


@pytest.mark.parametrize(
    ("order", "text", "read"),
    [
        ("day-first", "3.4.2019", "2019-04-03"),
        ("day-first", "03/04/2019 7:05", "2019-04-03T07:05"),
        ("day-first", "03-04-2019 19:05:30", "2019-04-03T19:05:30"),
        ("month-first", "3/4/2019 12:10 am", "2019-03-04T00:10"),
        ("month-first", "3/4/2019 12:10 PM", "2019-03-04T12:10"),
        ("day-first", "2019-03-04", "2019-03-04"),
        ("month-first", "2019-03-04T10:00+01:00", "2019-03-04T10:00+01:00"),
        ("spreadsheet-serial", "43558", "2019-04-03"),
        ("spreadsheet-serial", "43558.2951388889", "2019-04-03T07:05"),
        ("spreadsheet-serial", "61", "1900-03-01"),
        ("spreadsheet-serial-1904", "42096", "2019-04-03"),
    ],
)
def test_a_date_is_read_in_the_order_that_was_told(order, text, read):
    """Serials: 43558 is 3 April 2019 as spreadsheets count from 1900 (by hand)."""
    assert date_turn(order, partial=False)(text) == read


@pytest.mark.parametrize(
    ("order", "text", "why"),
    [
        ("day-first", "4/13/2019", "impossible"),
        ("month-first", "13/4/2019", "impossible"),
        ("day-first", "31.2.2019", "impossible"),
        ("day-first", "3.4.19", "two digits"),
        ("day-first", "3.4/2019", "not a day-first date"),
        ("day-first", "43558", "not a day-first date"),
        ("day-first", "3.4.2019 noonish", "time of day"),
        ("spreadsheet-serial", "3.4.2019", "serial"),
        ("spreadsheet-serial", "60", "serial"),
        ("spreadsheet-serial", "99999999999", "range"),
    ],
)
def test_a_date_that_is_not_as_told_is_never_guessed_at(order, text, why):
    with pytest.raises(NotUnderstood, match=why):
        date_turn(order, partial=False)(text)


@given(st.dates(), st.sampled_from([".", "/", "-"]))
def test_every_day_comes_back_from_either_order(day, sign):
    first = sign.join((str(day.day), str(day.month), f"{day.year:04}"))
    second = sign.join((str(day.month), str(day.day), f"{day.year:04}"))
    assert date_turn("day-first", partial=False)(first) == day.isoformat()
    assert date_turn("month-first", partial=True)(second) == day.isoformat()


@pytest.mark.parametrize(
    ("column", "reading", "theirs", "mine"),
    [
        ("tmin_c", {"weather": "us"}, "14", "-10"),
        ("rain_mm", {"weather": "us"}, "0.5", "12.7"),
        ("gust_kmh", {"weather": "us"}, "50", "80.4672"),
        ("tmin_c", {"weather": "metric"}, "14", "14"),
    ],
)
def test_weather_in_other_units_is_turned(column, reading, theirs, mine):
    """14 °F is -10 °C; an inch is 25.4 mm; a mile is 1.609344 km, by definition."""
    source = Source("weather", "w.csv", columns={column: ("X",)}, reading=reading)
    assert turned(ours("weather")[column], source, [theirs]) == ([mine], {})


# Mappings that are refused ----------------------------------------------------------

FILE = 'file = "lights.csv"\n[lights.'


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"lights": 'file = "?"'}, r'lights\.file is still "\?"'),
        ({"lights": 'fil = "lights.csv"'}, "did you mean 'file'"),
        ({"lights": 'file = "lampen.csv"'}, r"'lampen\.csv' is not in"),
        ({"lights": 'file = "../a.csv"'}, "leaves the folder"),
        ({"lights": "file = 3"}, "file is not understood"),
        ({"lights": 'sheet = "a"'}, "file is missing"),
        ({"lamps": 'file = "a.csv"'}, "'lamps' is not known"),
        ({"reading": 'dates = "european"'}, "expected day-first or month-first"),
        ({"reading": "dates = day-first"}, "is not TOML: .*line"),
        ({"lights": f'{FILE}columns]\nwat = "W"'}, "mean 'watts'"),
        ({"lights": f'{FILE}columns]\nwatts = "W"'}, "'W', mapped to watts"),
        ({"lights": f"{FILE}columns]\nwatts = 3"}, "watts is not understood"),
        ({"lights": f'{FILE}columns]\nlongitude = "x"'}, "crs is not said"),
        ({"lights": f'{FILE}codes.technology]\nN = "son"'}, "no code of technology"),
        ({"sections": 'file = "sections.csv"\ncolumns.length_m = "kind"'},
         "length is not said"),
        ({"lights": 'file = "lights.csv"\nencoding = "klingon"'}, "'klingon' is unk"),
        ({"lights": 'file = "circuits.csv"'}, "nothing is mapped to light_id"),
    ],
)  # fmt: skip
def test_a_mapping_that_cannot_be_followed_is_refused_a_line_each(
    tmp_path, change, reason
):
    made = mapped_town(tmp_path / "town", **change)
    with pytest.raises(LightwatchError, match=reason) as refused:
        take_in_mapped(*made)
    for line in str(refused.value).splitlines():
        assert str(tmp_path) in line


@pytest.mark.parametrize("name", ["name", "timezone", "opened_on", "created"])
def test_a_place_must_be_told_whole(tmp_path, name):
    _, mapping = mapped_town(tmp_path / "town")
    lines = mapping.read_text("utf-8").splitlines(keepends=True)
    mapping.write_text("".join(x for x in lines if not x.startswith(name)), "utf-8")
    with pytest.raises(NotUnderstood, match=f"{name} is missing"):
        read_mapping(mapping)


def test_a_register_without_lights_is_refused(tmp_path):
    folder, mapping = mapped_town(tmp_path / "town")
    text = mapping.read_text("utf-8").replace('[lights]\nfile = "lights.csv"', "")
    mapping.write_text(text, "utf-8")
    with pytest.raises(NotUnderstood, match=r"\[lights\] is missing"):
        MappedPackage.through(folder, read_mapping(mapping))


def test_a_timezone_that_is_none_is_refused_where_it_stands(tmp_path):
    folder, mapping = mapped_town(tmp_path / "town")
    text = mapping.read_text("utf-8").replace("Europe/Vienna", "Vienna time")
    mapping.write_text(text, "utf-8")
    with pytest.raises(NotUnderstood, match="Vienna time"):
        MappedPackage.through(folder, read_mapping(mapping))


# Drafts -----------------------------------------------------------------------------

AMERICAN = {
    "Street Lights.csv": "Asset ID,Lat,Lng,Feed ID,Lamp Type,Wattage,Install Date\n"
    "SL-1,47.3200,15.6400,C1,HPS,150,3/14/2011\n"
    "SL-2,47.3201,15.6405,C1,Metal Halide,100,11/2/2012\n"
    "SL-3,47.3202,15.6410,C2,LED,40,7/30/2018\n"
    "SL-4,47.3203,15.6415,C2,Plasma,40,7/30/2018\n",
    "Feeders.csv": "Feed ID,Feed Type,Volts,Owner\nC1,UG,240,City\nC2,OH,240,City\n",
    "Work Orders.csv": "Work Order,Completed,Asset ID,Root Cause,Work Done,Comments\n"
    "WO1,3/14/2019 9:30 AM,SL-1,Photocell,Replaced,\n"
    "WO2,12/1/2019 2:15 PM,SL-2,Bulb,Replaced,ok\n"
    "WO3,12/2/2019 1:15 PM,SL-3,Vehicle,Made safe,\n",
}


def drafted(tmp_path: Path, files: dict[str, str]) -> str:
    folder = tmp_path / "Some Town"
    folder.mkdir()
    for name, text in files.items():
        (folder / name).write_text(text, "utf-8")
    return draft(folder).text


def test_a_draft_knows_the_words_of_the_trade_and_asks_for_the_rest(tmp_path):
    text = drafted(tmp_path, AMERICAN)
    for line in (
        'light_id = "Asset ID"', 'latitude = "Lat"', 'longitude = "Lng"',
        'circuit_id = "Feed ID"', 'technology = "Lamp Type"', 'watts = "Wattage"',
        'feed = "Feed Type"', '"UG" = "underground"', '"OH" = "overhead"',
        '"Metal Halide" = "mh"', '"HPS" = "hps"', '"Plasma" = ""',
        'repair_id = "Work Order"', 'performed_at = "Completed"',
        'cause = "Root Cause"', 'action = "Work Done"', '"Photocell" = "photocontrol"',
        '"Bulb" = "lamp"', '"Vehicle" = "knockdown"', '"Made safe" = "made_safe"',
        'name = "Some Town"', 'timezone = "?"', 'opened_on = "2019-03-14"',
        'created = "2019-12-03"', 'dates = "month-first"', 'crs = "EPSG:4326"',
    ):  # fmt: skip
        assert f"\n{line}" in text, line
    assert "the second goes up to 14: it can only be month-first" in text
    assert "[[components]]" in text
    assert 'installed_on = "Install Date"' in text


def test_a_draft_of_strangers_words_claims_nothing(tmp_path):
    text = drafted(tmp_path, {"qqq.csv": "aaa,bbb\n1,xyz\n2,zyx\n"})
    assert "# not taken for any: qqq.csv (aaa, bbb)" in text
    assert '[lights]\nfile = "?"' in text
    assert "#     aaa: 1 | 2" in text
    assert "#   report_id *: identifier" in text
    assert "#   pole_id: number on the pole" in text


def test_days_that_settle_nothing_are_said_to_settle_nothing(tmp_path):
    orders = AMERICAN["Work Orders.csv"].replace("3/14", "3/4")
    lights = AMERICAN["Street Lights.csv"].splitlines()
    undated = "\n".join(line.rsplit(",", 1)[0] for line in lights)
    files = {"Work Orders.csv": orders, "Street Lights.csv": undated}
    text = drafted(tmp_path, AMERICAN | files)
    assert "no value settles it" in text


def test_dates_that_are_iso_raise_no_question(tmp_path):
    text = drafted(tmp_path, {f"{n}.csv": t for n, t in TABLES.items()})
    for name in ("dates", "length", "weather", "crs"):
        assert f"\n{name} = " not in text


def test_a_drafted_mapping_of_our_own_files_loads_as_the_package_does(tmp_path):
    folder = little_town(tmp_path / "town")
    text = draft(folder).text
    text = text.replace('timezone = "?"', 'timezone = "Europe/Vienna"')
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(text, "utf-8")
    _, outcome = take_in_mapped(folder, mapping)
    standard = take_in(new_store(tmp_path, "other.db"), folder)
    assert outcome.counts == standard.counts
    assert outcome.rejects == standard.rejects == []


@settings(deadline=None)
@given(st.text(max_size=8), st.text(max_size=8))
def test_any_text_in_a_file_gives_a_mapping_that_can_be_read(
    tmp_path_factory, name, code
):
    folder = tmp_path_factory.mktemp("odd")
    with (folder / "lights.csv").open("w", encoding="utf-8", newline="") as file:
        rows = [
            ["light_id", "technology", name],
            ["L1", code, "a"],
            ["L2", "NAV", code],
        ]
        csv.writer(file).writerows(
            [[x.replace("\r", "").replace("\0", "") for x in row] for row in rows]
        )
    mapping = folder / "mapping.toml"
    mapping.write_text(draft(folder).text, "utf-8")
    with pytest.raises(NotUnderstood, match="is still"):
        read_mapping(mapping)


# The commands -----------------------------------------------------------------------


def test_the_commands_draft_and_then_load(tmp_path, monkeypatch, capsys):
    folder, mapping = mapped_town(tmp_path / "town", {"jobs.csv": REPAIRS},
                                  repairs=REPAIRS_MAP)  # fmt: skip
    out = tmp_path / "drafted.toml"
    run = ["lightwatch", "map-columns", str(folder), "--out", str(out)]
    monkeypatch.setattr("sys.argv", run)
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    assert 'timezone = "?"' in out.read_text("utf-8")
    assert "questions to answer" in capsys.readouterr().out
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    assert "is there already" in capsys.readouterr().err
    store = f"sqlite:///{tmp_path}/cli.db"
    monkeypatch.setattr("sys.argv", [
        "lightwatch", "load", str(folder), "--mapping", str(mapping), "--db", store,
        "--rejects", str(tmp_path / "rejects.csv")])  # fmt: skip
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    assert "lights" in capsys.readouterr().out


def test_a_mapping_that_is_not_there_says_how_to_get_one(tmp_path):
    with pytest.raises(NotUnderstood, match="map-columns DIR drafts"):
        read_mapping(tmp_path / "none.toml")
