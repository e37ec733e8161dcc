"""Sheets of workbooks: titles above, real dates, numbers, formulas, row numbers."""

from __future__ import annotations

from datetime import date, datetime, time
from pathlib import Path

import pytest
from openpyxl import Workbook

from lightwatch.errors import NotUnderstood
from lightwatch.observations.drafting import draft
from lightwatch.observations.sheets import header_at, read_sheet, sheet_names, text_of
from lightwatch.observations.tables import names_of
from tests.mapped_town import mapped_town, take_in_mapped


def wall(*parts: int) -> datetime:
    """A time as a sheet holds it: of no zone."""
    return datetime(*parts)  # noqa: DTZ001


ROWS = [
    ["Job", "Done", "Lamp post", "Part", "Action", "Volts"],
    ["J1", wall(2016, 2, 5, 10, 0), "L01", "lamp", "replaced", 230.10000000000002],
    ["J2", wall(2016, 9, 22), "L03", "lamp", "replaced", 231.0],
    [None] * 6,
    ["J3", "next week", "L04", "lamp", "replaced", None],
]
MAP = """\
file = "jobs.xlsx"
sheet = "2016"
[repairs.columns]
repair_id = "Job"
performed_at = "Done"
light_id = "Lamp post"
component = "Part"
action = "Action"
volts = "Volts"
"""


def workbook(path: Path, rows: list[list[object]], above: int = 0) -> Path:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "2016"
    if above:
        sheet.append(["Repairs of the town"])
        sheet.merge_cells("A1:F1")
        for _ in range(above - 1):
            sheet.append([])
    for row in rows:
        sheet.append(row)
    book.create_sheet("Legend").append(["made by the office"])
    book.save(path)
    return path


@pytest.mark.parametrize("above", [0, 1, 3])
@pytest.mark.parametrize("header_row", [None, "there"])
def test_a_sheet_loads_and_its_rows_are_numbered_as_it_numbers_them(
    tmp_path, above, header_row
):
    said = MAP
    if header_row:
        said = MAP.replace("[", f"header_row = {above + 1}\n[", 1)
    folder, mapping = mapped_town(tmp_path / "town", repairs=said)
    workbook(folder / "jobs.xlsx", ROWS, above)
    store, outcome = take_in_mapped(folder, mapping)
    (bad,) = outcome.rejects
    assert (bad.row, bad.key, bad.value) == (above + 5, "J3", "next week")
    rows = {row["key"]: row for row in store.rows("repairs")}
    assert rows["J1"]["performed_at"] == "2016-02-05T10:00"
    assert rows["J2"]["performed_at"] == "2016-09-22"
    assert rows["J1"]["volts"] == "230.1"
    assert rows["J2"]["volts"] == "231"


@pytest.mark.parametrize("at_once", [1, 2, 3, 100, None])
def test_rows_are_the_same_however_many_are_read_at_once(tmp_path, at_once):
    path = workbook(tmp_path / "jobs.xlsx", ROWS, above=2)
    parts = list(read_sheet(path, names_of, sheet="2016", at_once=at_once))
    assert [line for part in parts for line in part.lines] == [4, 5, 7]
    assert [x for part in parts for x in part.columns["Job"]] == ["J1", "J2", "J3"]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        (0.1 + 0.2, "0.3"),
        (12.0, "12"),
        (7, "7"),
        (-0.25, "-0.25"),
        (True, "true"),
        (" L01 ", "L01"),
        (wall(2019, 4, 3), "2019-04-03"),
        (wall(2019, 4, 3, 7, 4, 59, 999_990), "2019-04-03T07:05"),
        (wall(2019, 4, 3, 7, 5, 30), "2019-04-03T07:05:30"),
        (date(2019, 4, 3), "2019-04-03"),
        (time(7, 5), "07:05:00"),
    ],
)
def test_a_cell_is_written_as_text_with_no_noise(value, text):
    assert text_of(value) == text


def test_the_header_is_the_first_full_row_of_names():
    title, head = ["Report", "", "", ""], ["Id", "Date", "What", "Watts"]
    assert header_at([title, ["", "", "", ""], head, ["1", "2", "3", "4"]]) == 3
    assert header_at([head, ["1", "2", "3", "4"]]) == 1
    assert header_at([]) == 1


def test_a_sheet_that_is_not_there_is_refused_by_the_names_of_those_that_are(tmp_path):
    path = workbook(tmp_path / "jobs.xlsx", ROWS)
    assert sheet_names(path) == ["2016", "Legend"]
    with pytest.raises(NotUnderstood, match="it has 2016, Legend"):
        next(read_sheet(path, names_of, sheet="2017"))


def test_what_is_no_workbook_is_refused_in_one_line(tmp_path):
    path = tmp_path / "jobs.xlsx"
    path.write_text("not a workbook")
    with pytest.raises(NotUnderstood, match=r"save it as \.xlsx or \.csv") as refused:
        next(read_sheet(path, names_of))
    assert "\n" not in str(refused.value)


def test_a_formula_gives_the_value_that_was_kept_with_it(tmp_path):
    """A formula that no spreadsheet has worked out has none, and is blank."""
    path = workbook(tmp_path / "jobs.xlsx", [["Id", "Sum"], ["J1", "=1+1"]])
    (rows,) = read_sheet(path, names_of, sheet="2016")
    assert rows.columns == {"Id": ["J1"], "Sum": [""]}


def test_a_draft_finds_the_sheet_and_its_header(tmp_path):
    folder, _ = mapped_town(tmp_path / "town")
    (folder / "repairs.csv").unlink()
    workbook(folder / "Repairs.xlsx", ROWS, above=2)
    text = draft(folder).text
    assert 'file = "Repairs.xlsx"\nsheet = "2016"\nheader_row = 3' in text
    assert "Legend" not in text.split("# not taken")[0]
