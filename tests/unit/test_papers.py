"""Papers: what is printed is what is in the tables, and nothing in it can run."""

from __future__ import annotations

import csv
from datetime import date

import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner

from lightwatch.cli import app
from lightwatch.errors import LightwatchError, NotUnderstood, UnknownAsset
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates import RateRow, exact_rate
from lightwatch.register import Register
from lightwatch.store import open_store
from reports.papers import ALL, PAPERS, named, write_report
from reports.papers.desk import Desk
from reports.papers.faces import as_html, decimals, looks, said, written
from reports.papers.paper import Chart, Paper, Table, Words, rounded
from reports.papers.reliability import by_technology
from tests.small_city import small_city

HOSTILE = (
    "=1+1",
    "+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
)


def _paper(**changed: object) -> Paper:
    table = Table("things", "Things", ("What", "How many"), (("a", 1), ("b", 2)))
    told: dict[str, object] = {
        "name": "trial", "title": "A trial", "place": "Nowhere", "as_of": "now",
        "sample": "2 things", "method": "Counted.", "left_out": (), "parts": (table,),
    }  # fmt: skip
    return Paper(**(told | changed))  # type: ignore[arg-type]


def test_a_note_that_looks_like_a_formula_stays_text_in_csv_and_workbook(tmp_path):
    rows = tuple((words, i) for i, words in enumerate(HOSTILE))
    table = Table("things", "Things", ("What", "Number"), rows)
    written(_paper(parts=(table,), place="=2+2", title="@now"), tmp_path)
    sheet = load_workbook(tmp_path / "trial.xlsx")["things"]
    for row, words in zip(sheet.iter_rows(min_row=2), HOSTILE, strict=True):
        assert row[0].data_type == "s"
        assert row[0].value == words
    about = load_workbook(tmp_path / "trial.xlsx")["About"]
    assert {cell.data_type for row in about.iter_rows() for cell in row} == {"s"}
    with (tmp_path / "trial-things.csv").open(encoding="utf-8-sig", newline="") as file:
        cells = [line[0] for line in csv.reader(file)][1:]
    assert not any(cell.startswith(("=", "+", "-", "@", "\t")) for cell in cells)


def test_nothing_in_a_record_runs_on_the_page():
    table = Table("things", "<b>T</b>", ("<i>", "n"), tuple((w, 1) for w in HOSTILE))
    words = Words("<u>w</u>", HOSTILE)
    page = as_html(_paper(parts=(table, words), place=HOSTILE[5], sample=HOSTILE[6]))
    body = page.split("</head>")[1]
    for tag in ("<script", "<img", "<b>", "<i>", "<u>"):
        assert tag not in body
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in body
    assert "default-src 'none'" in page


def test_a_table_without_a_cell_for_every_head_is_refused():
    with pytest.raises(ValueError, match="a cell for every head"):
        Table("t", "T", ("a", "b"), (("x",),))


def test_a_long_table_is_cut_on_paper_and_whole_in_the_files(tmp_path):
    rows = tuple((f"L{i}", i) for i in range(90))
    table = Table("lights", "Lights", ("Light", "n"), rows, most=20)
    written(_paper(parts=(table,)), tmp_path)
    page = (tmp_path / "trial.html").read_text("utf-8")
    assert "The first 20 of 90; all are in trial-lights.csv." in page
    assert "L19" in page
    assert "L20<" not in page
    assert load_workbook(tmp_path / "trial.xlsx")["lights"].max_row == 91


def test_numbers_are_set_to_the_decimals_of_the_finest_and_to_the_right():
    table = Table("t", "T", ("a", "b"), (("x", 1.5), ("y", 2.25), ("z", None)))
    assert decimals(table) == [0, 2]
    assert looks(table) == ["word", "n"]
    assert said(1.5, 2) == "1.50"
    assert said(None) == "-"
    assert said(12345) == "12,345"


def test_an_empty_table_says_none_and_a_chart_stays_whole(tmp_path):
    parts = (Table("t", "T", ("a",), ()), Chart("C", '<svg width="1"></svg>'))
    page = as_html(_paper(parts=parts))
    assert "<p>None.</p>" in page
    assert '<svg width="1"></svg>' in page
    assert rounded(float("nan")) is None


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(LightwatchError, match="taken"):
        written(_paper(), tmp_path / "taken")


def test_an_unknown_report_names_those_there_are():
    with pytest.raises(UnknownAsset, match="monthly, repeats"):
        named("weekly")
    assert named(ALL) == list(PAPERS)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    store = open_store(small_city(tmp_path_factory.mktemp("city")))
    return Desk(Register(Known(store, default_as_of(store))))


def test_the_month_is_the_last_whole_one_or_that_asked_for(desk: Desk):
    today = desk.known.clock.at(desk.known.as_of).date()
    assert desk.month < today.replace(day=1)
    assert (today - desk.month).days < 63
    names = [name for name, _, _ in desk.months(count=3)]
    assert names == sorted(names)
    asked = Desk(desk.register, f"{desk.month:%Y-%m}")
    assert asked.month == desk.month
    with pytest.raises(NotUnderstood, match="lies outside"):
        _ = Desk(desk.register, "1999-01").month
    assert isinstance(desk.tonight, date)


def test_lights_that_only_failed_twice_are_counted_and_not_listed(desk: Desk):
    found, page = desk.repeats, PAPERS["repeats"](desk)
    (table,) = (one for one in page.tables if one.name == "lights")
    listed = {row[0] for row in table.rows}
    twice = [one for one in found.lights if one.light_id not in listed]
    assert twice
    assert listed
    for one in twice:
        assert (one.excess.failures, one.unheld, one.excess.named) == (2, 0, False)
    told = f"{len(twice):,} lights that only failed twice"
    assert any(told in words for words in page.left_out)


def test_a_light_that_grows_worse_is_listed_after_two_failures(desk, monkeypatch):
    light = next(one for one in desk.repeats.lights if one.excess.failures == 2)
    grow = frozenset({light.light_id})
    monkeypatch.setattr(type(desk.repeats), "grows", lambda self, level: grow)
    (table,) = (one for one in PAPERS["repeats"](desk).tables if one.name == "lights")
    (row,) = (one for one in table.rows if one[0] == light.light_id)
    assert "ever more often" in row[table.heads.index("Why")]


@pytest.mark.parametrize(
    "name", ["monthly", "repeats", "rebuild", "warranty", "energy"]
)
def test_hostile_notes_of_an_invented_city_run_in_no_report(desk, tmp_path, name):
    """The invented city's reports and notes hold formulas and scripts."""
    for path in write_report(name, desk, tmp_path):
        if path.suffix == ".html":
            assert "<script" not in path.read_text("utf-8")
        if path.suffix == ".xlsx":
            for sheet in load_workbook(path):
                for row in sheet.iter_rows():
                    assert all(cell.data_type != "f" for cell in row)


def test_what_hardly_anybody_watched_has_no_rate_and_is_told():
    def row(technology: str, kind: str, years: float, failures: int) -> RateRow:
        rate = exact_rate(failures, years)
        of = {"technology": technology, "kind": kind}
        return RateRow(of, "unit", years, failures, rate)

    every = [
        row("led", "driver", 1000.0, 12),
        row("led", "lamp", 0.01, 0),
        row("mh", "pole", 9.0, 0),
        row("mh", "lamp", 2.0, 1),
        row("unknown", "cable", 50.0, 3),
    ]
    table, scarce = by_technology(every)
    assert [line[:4] for line in table.rows] == [
        ("led", "driver", 1000.0, 12),
        ("mh", "lamp", 2.0, 1),
        ("feed", "cable", 50.0, 3),
    ]
    [told] = scarce
    assert told.startswith("led lamp, mh pole: ")
    assert by_technology(every[:1])[1] == ()


def test_a_wrong_report_is_told_before_the_store_is_looked_for(tmp_path):
    words = ["report", "weekly", "--out", str(tmp_path), "--db", "sqlite:////no/where"]
    told = CliRunner().invoke(app, words)
    assert told.exit_code == 2
    assert "no report 'weekly'" in told.output
    assert "store" not in told.output
