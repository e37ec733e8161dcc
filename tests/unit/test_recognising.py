"""Files of offices that have never heard of ours are recognised by what they hold."""

from __future__ import annotations

import tomllib
from collections import Counter
from pathlib import Path

import pytest

from lightwatch.errors import NotUnderstood
from lightwatch.observations.drafting import draft
from lightwatch.observations.ended import ending_in, says_how_it_ended
from lightwatch.observations.looking import Column
from lightwatch.observations.numbering import several_in_a_cell, shared, trim_between
from lightwatch.observations.proposing import _rules, _wanted
from lightwatch.observations.redrafting import as_said, sections, written_by_hand
from lightwatch.observations.source import ours
from tests.mapped_town import take_in_mapped
from tests.offices import OFFICES, portal, utility


@pytest.mark.parametrize("make", OFFICES, ids=lambda make: make.__name__)
def test_each_file_and_column_that_matters_is_recognised(tmp_path, make):
    office = make(tmp_path / "office")
    drafted = draft(office.folder)
    for name, (where, columns) in office.tables.items():
        assert drafted.matched[name].seen.name == where
        found = {
            mine: one.column.name for mine, one in drafted.matched[name].columns.items()
        }
        assert {mine: found.get(mine) for mine in columns} == columns
    assert drafted.not_taken == ()


@pytest.mark.parametrize("make", [portal, utility], ids=lambda make: make.__name__)
def test_a_draft_loads_once_its_few_questions_are_answered(tmp_path, make):
    office = make(tmp_path / "office")
    drafted = draft(office.folder)
    assert drafted.questions <= 2
    text = drafted.text.replace('timezone = "?"', 'timezone = "America/Chicago"')
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(text.replace('speed = "?"', 'speed = "mph"'), "utf-8")
    store, outcome = take_in_mapped(office.folder, mapping)
    assert outcome.rejects == []
    assert len(list(store.rows("lights"))) >= 120


def test_the_lamps_text_is_the_technology_and_not_an_arms_length(tmp_path):
    text = draft(portal(tmp_path / "office").folder).text
    assert '"HPS-High Pressure Sodium" = "hps"' in text
    assert '"N/A"' not in text
    assert '"MV-Mercury Vapor" = "mv"' in text


def test_requests_of_other_kinds_are_left_out_and_circuits_are_drafted(tmp_path):
    text = draft(utility(tmp_path / "office").folder).text
    assert "[reports.only]" in text
    assert 'Category = [\n  "Streetlight - Out",\n]' in text
    assert "Pothole" not in text.split("[reports.only]")[1].split("[repairs]")[0]
    assert "distinct = true" in text
    assert 'light_id = { off_front = "SL-", without_zeros = true }' in text


def test_all_kinds_count_where_all_are_of_lights():
    mixed = Counter({"Street Light Out": 5, "Pole knocked down": 2, "Traffic light": 3})
    assert _wanted(Column("T", mixed)) == ["Street Light Out", "Pole knocked down"]
    assert _wanted(Column("T", Counter({"Light out": 5, "Light dim": 1}))) == []
    assert _wanted(Column("T", Counter({"Pothole": 5, "Graffiti": 1}))) == []


def test_many_texts_are_read_by_the_words_in_them():
    texts = [(f"replaced lamp at pole {i}", 2) for i in range(30)]
    texts += [("tree trimming", 4)]
    mine = ours("repairs")["action"]
    lines = list(_rules("repairs", mine, texts, mine.allowed))
    assert '"replaced" = "replaced"  # guess: look at it; 60 rows' in lines
    assert any("no rule knows 4 rows, such as tree trimming" in line for line in lines)


def test_numbers_are_joined_prefixes_and_zeros_aside():
    register = {f"{i}" for i in range(100, 130)}
    theirs = [f"SL-00{i}" for i in range(100, 125)]
    assert shared(theirs, register) > 0.9
    assert shared(["A", "B"], register) == 0
    said = trim_between(theirs, register)
    assert said == 'off_front = "SL-", without_zeros = true'
    assert trim_between(["x"], register) is None
    cells = ["101, 102", "103, 104, 105", "106,107", "110"]
    assert several_in_a_cell(cells, register) == [","]
    assert several_in_a_cell(["101", "Mill St, north"], register) == []


STRANGE = "aaa,bbb,when\n1,xyz,2019-01-05\n2,zyx,2019-02-05\n"


def test_a_file_that_was_not_recognised_can_be_named_and_drafted_again(tmp_path):
    folder = tmp_path / "Some Town"
    folder.mkdir()
    (folder / "qqq.csv").write_text(STRANGE, "utf-8")
    first = draft(folder)
    assert first.not_taken == ("qqq.csv",)
    mapping = tmp_path / "mapping.toml"
    text = first.text.replace('timezone = "?"', 'timezone = "Europe/Oslo"  # mine')
    text = text.replace('[lights]\nfile = "?"', '[reports]\nfile = "qqq.csv"\n', 1)
    mapping.write_text(text, "utf-8")
    said, kept = written_by_hand(mapping)
    assert said == {("qqq.csv", None): "reports"}
    again = draft(folder, said, kept)
    assert 'timezone = "Europe/Oslo"  # mine' in again.text
    assert '[reports]  # 2 rows looked at\nfile = "qqq.csv"' in again.text
    assert again.text.count("[place]") == again.text.count("[reading]") == 1
    assert again.not_taken == ()
    assert as_said(["qqq.csv=reports"]) == said
    assert as_said(["b.xlsx:Jobs=repairs"]) == {("b.xlsx", "Jobs"): "repairs"}
    for bad in ("qqq.csv", "qqq.csv=lamps"):
        with pytest.raises(NotUnderstood, match="expected FILE=KIND"):
            as_said([bad])


def test_what_a_person_wrote_is_kept_as_it_is(tmp_path):
    office = portal(tmp_path / "office")
    mapping = tmp_path / "mapping.toml"
    text = draft(office.folder).text
    mine = text.replace('technology = "LIGHTTYPE_DESC"', 'technology = "MINE"  # me')
    mapping.write_text(mine, "utf-8")
    said, kept = written_by_hand(mapping)
    again = draft(office.folder, said, kept)
    assert sections(again.text)["lights"] == sections(mine)["lights"]
    assert 'technology = "MINE"  # me' in again.text
    assert sections(again.text).keys() == sections(mine).keys()


def test_the_command_says_what_to_do_next(tmp_path, monkeypatch, capsys):
    from lightwatch.cli import main

    folder, out = tmp_path / "in", tmp_path / "m.toml"
    folder.mkdir()
    (folder / "qqq.csv").write_text(STRANGE, "utf-8")
    run = ["lightwatch", "map-columns", str(folder)]
    monkeypatch.setattr("sys.argv", [*run, "--out", str(out)])
    with pytest.raises(SystemExit):
        main()
    told = capsys.readouterr().out
    assert "not recognised: qqq.csv" in told
    assert '--as "qqq.csv=reports"' in told
    again = ["--again", str(out), "--as", "qqq.csv=reports"]
    monkeypatch.setattr("sys.argv", [*run, *again])
    with pytest.raises(SystemExit):
        main()
    assert "found: reports" in capsys.readouterr().out
    assert Path(tmp_path / "m.before.toml").exists()
    assert 'file = "qqq.csv"' in out.read_text("utf-8")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("Closed", "other"),
        ("COMPLETED", "other"),
        ("Resolved", "other"),
        ("Closed - Fixed", "repaired"),
        ("Completed, lamp replaced", "repaired"),
        ("Not repaired", ""),
        ("Closed: no fault found", "nothing_found"),
        ("working on arrival", "nothing_found"),
        ("Duplicate (Closed)", "duplicate"),
        ("Not city light", "not_ours"),
        ("Referred to utility", "not_ours"),
        ("Cancelled", "withdrawn"),
        ("Open", ""),
        ("Reopened", ""),
        ("In Progress", ""),
        ("New", ""),
        ("New lamp, repaired", "repaired"),
    ],
)
def test_how_a_report_ended_is_read_from_its_status(text, code):
    ending = ending_in(text)
    assert ending is not None
    assert ending[1] == code


CALLS = (
    "Case Number,Opened,Closed Date,Case Type,Status,Parent Case,Lat,Lon\n"
    + "".join(
        f"{2000 + i},2019-01-{i % 27 + 1:02d} 08:00,"
        f"{'' if status == 'Open' else '2019-02-20 09:00'},Street Light Out,{status},"
        f"{'2000' if status == 'Duplicate' else ''},"
        f"{47.3 + i / 1e3:.4f},{15.6 + i / 1e3:.4f}"
        "\n"
        for i, status in enumerate(
            ["Closed", "Lamp replaced", "Open", "Duplicate", "Not city owned", "Hmm"]
            * 10
        )
    )
)


def test_a_status_beside_a_closed_date_is_drafted_and_an_open_one_closes_nothing(
    tmp_path,
):
    folder = tmp_path / "calls"
    folder.mkdir()
    (folder / "requests.csv").write_text(CALLS, "utf-8")
    lights = "".join(f"{i},{15.6 + i / 1e3},{47.3 + i / 1e3},led\n" for i in range(60))
    (folder / "lights.csv").write_text(
        "light_id,longitude,latitude,technology\n" + lights, "utf-8"
    )
    text = draft(folder).text
    assert 'closed_as = "Status"' in text
    assert 'duplicate_of = "Parent Case"' in text
    assert '"Closed" = "other"  # how is not said' in text
    assert '"Open" = ""  # not over; 10 rows' in text
    assert '"Hmm" = ""  # not known' in text
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(text.replace('"?"', '"Europe/Vienna"'), "utf-8")
    store, outcome = take_in_mapped(folder, mapping)
    assert outcome.rejects == []
    kept = {row["key"]: row for row in store.rows("reports")}
    assert [kept[str(2000 + i)]["closed_as"] or "" for i in range(6)] == [
        "other", "repaired", "", "duplicate", "not_ours", "",
    ]  # fmt: skip
    assert [bool(kept[str(2000 + i)]["closed_at"]) for i in (1, 2)] == [True, False]
    assert kept["2003"]["duplicate_of"] == "2000"


def test_open_and_closed_alone_add_nothing_to_the_date_of_closing():
    bare = Column("Status", Counter({"Open": 3, "Closed": 9}))
    told = Column("Result", Counter({"Closed": 9, "Closed, no fault found": 2}))
    assert says_how_it_ended([bare]) is None
    assert says_how_it_ended([bare, told]) is told


def test_many_results_are_read_by_rules_that_count_in_order(tmp_path):
    texts = [(f"closed {i}, fixed by crew", 1) for i in range(30)]
    texts += [("closed", 5), ("open, was fixed", 1)]
    mine = ours("reports")["closed_as"]
    lines = list(_rules("reports", mine, texts, mine.allowed))
    said = [line.split("  #")[0] for line in lines[-3:]]
    assert said == ['open = ""', 'fixed = "repaired"', 'closed = "other"']


def _by_another_number(folder: Path, more: str = "") -> None:
    """Write a register, and work orders that name lights by its GRIDREF alone."""
    folder.mkdir()
    head = f"ASSETID,GRIDREF,{'POLE NUMBER,' if more else ''}X,Y,LAMPTYPE\n"
    rows = "".join(
        f"SL-{9000 + i},G{i % 7}-{300 + 7 * i},{more and f'{more}{i},'}"
        f"{15.6 + i / 1e3:.4f},{47.3 + i / 1e3:.4f},LED\n"
        for i in range(120)
    )
    (folder / "register.csv").write_text(head + rows, "utf-8")
    orders = "".join(
        f"{i},2019-{i % 9 + 1:02d}-13,G{i % 7}-{300 + 7 * i},Replaced,Lamp\n"
        for i in range(0, 120, 2)
    )
    (folder / "work orders.csv").write_text(
        "WO Number,Date Completed,Pole Tag,Action,Component\n" + orders, "utf-8"
    )


def test_the_number_by_which_work_orders_name_lights_is_the_poles(tmp_path):
    folder = tmp_path / "office"
    _by_another_number(folder)
    drafted = draft(folder)
    lights = drafted.text.split("[lights]")[1].split("[repairs]")[0]
    assert "# reports or repairs name lights by GRIDREF" in lights
    assert 'light_id = "ASSETID"' in lights
    assert 'pole_id = "GRIDREF"' in lights
    assert "tags" not in lights
    assert drafted.matched["repairs"].columns["light_id"].column.name == "Pole Tag"
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(
        drafted.text.replace('timezone = "?"', 'timezone = "Europe/Vienna"'), "utf-8"
    )
    store, outcome = take_in_mapped(folder, mapping)
    assert outcome.rejects == []
    assert {row["key"]: row for row in store.rows("repairs")}["2"]["light_id"] == (
        "SL-9002"
    )


def test_it_is_a_tag_where_the_poles_have_a_number_of_their_own(tmp_path):
    folder = tmp_path / "office"
    _by_another_number(folder, "KP")
    text = draft(folder).text
    assert 'pole_id = "POLE NUMBER"' in text
    assert 'tags = ["GRIDREF"]' in text
    assert tomllib.loads(text)["lights"]["tags"] == ["GRIDREF"]
