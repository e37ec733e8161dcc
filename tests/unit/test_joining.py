"""Systems that do not share numbers are joined, and it is said how surely."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from lightwatch.errors import NotUnderstood
from lightwatch.observations.checking import check_mapping
from lightwatch.observations.joining import SAMPLE, Joins, Lights
from lightwatch.observations.mapped import MappedPackage
from lightwatch.observations.mapping import read_mapping
from lightwatch.observations.tables import Rows
from lightwatch.words import resources
from tests.mapped_town import PLACE, take_in_mapped

# One degree of longitude at 47.32 N is 75.4 km: 0.0004 is 30 m.
REGISTER = "GIS,TAG,ASSET,X,Y,LAMP\n" + "".join(
    f"{i},P{100 + i},A-{i},{15.64 + 0.0004 * i:.4f},47.32,led\n" for i in range(1, 21)
)
ORDERS = """\
WO,Done,Where,What,X,Y
1,2019-05-01,P101,replaced,,
2,2019-05-01,7,replaced,,
3,2019-05-01,A-9,replaced,,
4,2019-05-01,,replaced,15.64405,47.32001
5,2019-05-01,nowhere,replaced,15.64418,47.32
6,2019-05-01,,replaced,15.66,47.32
7,2019-05-01,X99,replaced,,
"""
CALLS = "ID,At,X,Y\n1,2019-04-01,15.6404,47.3201\n2,2019-04-01,15.9,47.32\n"
MAPPING = (
    PLACE.replace('name = "town"', 'name = "three"')
    + """
[reading]
crs = "EPSG:4326"
[lights]
file = "register.csv"
tags = ["ASSET"]
columns = { light_id = "GIS", pole_id = "TAG", longitude = "X", latitude = "Y", \
technology = "LAMP" }
[reports]
file = "calls.csv"
columns = { report_id = "ID", received_at = "At", longitude = "X", latitude = "Y" }
constants = { symptom = "out" }
[repairs]
file = "orders.csv"
columns = { repair_id = "WO", performed_at = "Done", light_id = "Where", \
action = "What", longitude = "X", latitude = "Y" }
"""
)


def three(tmp_path: Path, mapping: str = MAPPING) -> tuple[Path, Path]:
    folder = tmp_path / "three"
    folder.mkdir()
    for name, text in (("register", REGISTER), ("orders", ORDERS), ("calls", CALLS)):
        (folder / f"{name}.csv").write_text(text, "utf-8")
    (tmp_path / "three.toml").write_text(mapping, "utf-8")
    return folder, tmp_path / "three.toml"


def read(package: MappedPackage, name: str) -> Rows:
    (rows,) = package.rows(resources()[name], None)
    return rows


def test_orders_are_joined_by_number_by_tag_and_by_place(tmp_path):
    folder, mapping = three(tmp_path)
    package = MappedPackage.through(folder, read_mapping(mapping))
    rows = read(package, "repairs")
    assert rows.columns["light_id"] == ["1", "7", "9", "10", "10", "", "X99"]
    assert rows.columns["Where (theirs)"][0] == "P101"
    assert package.joins.counts["repairs"] == {
        "light number": 1, "pole number or tag": 2, "place": 1,
        "place, a close call": 1, "too far from any light": 1, "not joined": 1,
    }  # fmt: skip
    assert package.joins.limits["repairs"] == pytest.approx(60.3, abs=0.5)


def test_a_report_keeps_its_place_and_is_only_counted(tmp_path):
    folder, mapping = three(tmp_path)
    package = MappedPackage.through(folder, read_mapping(mapping))
    rows = read(package, "reports")
    assert rows.columns.get("light_id", ["", ""]) == ["", ""]
    assert package.joins.counts["reports"] == {
        "place": 1, "too far from any light": 1,
    }  # fmt: skip


def test_the_limit_may_be_told(tmp_path):
    said = MAPPING.replace(
        'file = "orders.csv"', 'file = "orders.csv"\nwithin_m = 2000'
    )
    folder, mapping = three(tmp_path, said)
    package = MappedPackage.through(folder, read_mapping(mapping))
    assert read(package, "repairs").columns["light_id"][5] == "20"


def test_a_load_takes_in_what_was_joined_and_writes_a_sample(tmp_path):
    folder, mapping = three(tmp_path)
    store, outcome = take_in_mapped(folder, mapping)
    lost = [(r.key, r.value) for r in outcome.rejects if r.resource == "repairs"]
    assert lost == [("6", ""), ("7", "X99")]
    kept = {
        row["key"]: json.loads(row["extra"] or "{}") for row in store.rows("repairs")
    }
    assert kept["1"]["Where (theirs)"] == "P101"
    package = MappedPackage.through(folder, read_mapping(mapping))
    read(package, "repairs")
    path = tmp_path / "joined.csv"
    assert package.joins.write(path)
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert rows[3]["joined by"] == "place"
    assert (rows[3]["light"], rows[3]["metres"]) == ("10", "4")
    told, to_reports = package.joins.told()
    assert "1 joined to a report by place and time, of these 0 close" in to_reports
    assert "repairs joined to lights: 2 by pole number or tag" in told
    assert "1 too far from any light" in told


def test_the_sample_is_small_drawn_alike_and_the_same_each_time():
    drawn = []
    for _ in range(2):
        joins = Joins()
        joins.begin("repairs")
        for i in range(1000):
            joins.add("repairs", (str(i),), "place")
        drawn.append(joins.sample["repairs"])
    assert drawn[0] == drawn[1]
    assert len(drawn[0]) == SAMPLE
    assert 300 < np.mean([int(row[0]) for row in drawn[0]]) < 700
    assert joins.counts["repairs"].total() == 1000


def test_a_poles_lanterns_are_its_first_and_other_lights_are_not_guessed():
    rows = Rows(list(range(2, 6)), {
        "light_id": ["1", "1-2", "7", "8"], "pole_id": ["P1", "P1", "P2", "P2"],
        "longitude": ["15.64"] * 4, "latitude": ["47.3"] * 4})  # fmt: skip
    lights = Lights.of([rows], [])
    assert lights.named("P1").light == "1"
    assert lights.named("P2").light == ""
    assert lights.named("P2").how == "pole of several lights, not guessed"
    assert lights.named("P3").how == "not joined"


# A mapping checked before it runs ---------------------------------------------------


def test_all_questions_and_problems_are_told_in_one_go(tmp_path):
    said = MAPPING.replace('"Europe/Vienna"', '"?"').replace('"WO"', '"Order"')
    said = said.replace('symptom = "out"', 'symptom = "?"')
    said = said.replace('"LAMP" }', '"TAG", watts = "LAMP" }')
    folder, mapping = three(tmp_path, said)
    (folder / "calls.csv").write_text(CALLS.replace("2019-04-01", "4/31/2019"), "utf-8")
    found = check_mapping(folder, mapping)
    assert not found.is_ready
    assert len(found.questions) == 2
    assert any('[place] timezone = "?"' in line for line in found.questions)
    assert any("column 'Order', mapped to repair_id, is not there" in line
               for line in found.problems)  # fmt: skip
    assert any("symptom" in line for line in found.problems) is True
    values = "\n".join(found.values)
    assert "watts (column 'LAMP'): 20 rows: is not a number; 'led' 20 times" in values
    assert "technology (column 'TAG'): 20 rows: is not in the list" in values
    assert "'P101' 1 times, 'P102' 1 times, 'P103' 1 times and 17 other texts" in values


def test_a_good_mapping_is_ready_and_says_nothing(tmp_path):
    found = check_mapping(*three(tmp_path))
    assert found.is_ready
    assert found.lines == []


def test_unreadable_dates_are_told_with_examples(tmp_path):
    folder, mapping = three(tmp_path)
    (folder / "calls.csv").write_text(CALLS.replace("2019-04-01", "soon"), "utf-8")
    found = check_mapping(folder, mapping)
    assert found.is_ready
    (line,) = found.values
    assert "received_at (column 'At'): 2 rows" in line
    assert "'soon' 2 times" in line


# Repairs that name no report -------------------------------------------------------

# Light 5 at 15.642, 30 m between lights; report 4 lies between 15 and 16.
TOLD = """\
ID,At,Where,X,Y,Shut
1,2019-04-20 08:00,5,,,
2,2019-04-25 08:00,5,,,
3,2019-04-25 08:00,,15.64401,47.32001,
4,2019-04-26 08:00,,15.64617,47.32,
5,2019-01-02 08:00,18,,,
6,2019-04-26 08:00,19,,,2019-04-27
7,2019-04-26 08:00,,15.64521,47.32,
8,2019-04-26 08:00,,15.64315,47.32,
9,2019-04-26 08:00,,15.64325,47.32,
"""
DONE = """\
WO,Done,Where,What
A,2019-05-01,5,replaced
B,2019-05-01,10,replaced
C,2019-05-01,16,replaced
D,2019-05-01,18,replaced
E,2019-05-01,19,replaced
F,2019-05-01,12,replaced
G,2019-05-02,10,replaced
H,2019-05-01,8,replaced
"""
NO_NUMBERS = (
    MAPPING.split("[reports]")[0]
    + """
[reports]
file = "calls.csv"
columns = { report_id = "ID", received_at = "At", longitude = "X", latitude = "Y", \
light_id = "Where", closed_at = "Shut" }
constants = { symptom = "out" }
[repairs]
file = "orders.csv"
columns = { repair_id = "WO", performed_at = "Done", light_id = "Where", \
action = "What" }
"""
)


def answers(tmp_path: Path, mapping: str) -> tuple[dict[str, str], MappedPackage]:
    folder, saved = three(tmp_path, mapping)
    (folder / "calls.csv").write_text(TOLD, "utf-8")
    (folder / "orders.csv").write_text(DONE, "utf-8")
    package = MappedPackage.through(folder, read_mapping(saved))
    rows = read(package, "repairs")
    named = rows.columns.get("report_id", [""] * len(rows.lines))
    return dict(zip(rows.columns["repair_id"], named, strict=True)), package


def test_a_repair_without_a_report_answers_the_open_one_of_its_light_or_place(tmp_path):
    found, package = answers(tmp_path, NO_NUMBERS)
    assert {key: report for key, report in found.items() if report} == {
        "A": "2", "B": "3", "C": "4",
    }  # fmt: skip
    (told,) = [one for one in package.joins.told() if "to reports" in one]
    assert told == (
        "repairs to reports: 3 joined to a report by place and time, of these 1 close "
        "calls"
    )
    path = tmp_path / "joined.csv"
    assert package.joins.write(path)
    with path.open(encoding="utf-8") as file:
        rows = {(one["key"], one["report"]): one for one in csv.DictReader(file)}
    assert rows["C", "4"]["joined by"] == "place and time, a close call"


def test_how_long_before_a_report_may_lie_can_be_told(tmp_path):
    said = NO_NUMBERS.replace(
        'file = "orders.csv"', 'file = "orders.csv"\nreports_within_days = 150'
    )
    assert answers(tmp_path, said)[0]["D"] == "5"


def test_no_days_join_none_and_fewer_are_refused(tmp_path):
    def told(days):
        return NO_NUMBERS.replace(
            'file = "orders.csv"', f'file = "orders.csv"\nreports_within_days = {days}'
        )

    found, _ = answers(tmp_path, told(0))
    assert not any(found.values())
    (tmp_path / "bad.toml").write_text(told(-1), "utf-8")
    with pytest.raises(NotUnderstood, match="reports_within_days counts from 0"):
        read_mapping(tmp_path / "bad.toml")


def test_repairs_that_name_reports_are_left_as_they_are(tmp_path):
    said = NO_NUMBERS.replace('action = "What"', 'action = "What", report_id = "Where"')
    found, package = answers(tmp_path, said)
    assert found["A"] == "5"
    assert not any("to reports" in one for one in package.joins.told())


def test_what_was_joined_by_place_and_time_is_loaded_and_says_so(tmp_path):
    folder, saved = three(tmp_path, NO_NUMBERS)
    (folder / "calls.csv").write_text(TOLD, "utf-8")
    (folder / "orders.csv").write_text(DONE, "utf-8")
    store, outcome = take_in_mapped(folder, saved)
    assert [one for one in outcome.rejects if one.resource == "repairs"] == []
    kept = {row["key"]: row for row in store.rows("repairs")}
    assert kept["B"]["report_id"] == "3"
    assert json.loads(kept["B"]["extra"])["report joined by"] == "place and time"
