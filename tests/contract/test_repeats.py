"""Repeats and reports of the shared town: the contract's document, every paper."""

from __future__ import annotations

import csv
import json

import jsonschema
import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner

from lightwatch.cli import app
from lightwatch.detection.held import LAST_DAYS
from reports.papers import PAPERS


@pytest.fixture(scope="module")
def document(town):
    result = CliRunner().invoke(app, ["repeats", "--json", "--db", town.address])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_repeats_keep_the_contract(document, shared) -> None:
    schema = (shared / "contract" / "repeats.schema.json").read_text("utf-8")
    jsonschema.validate(document, json.loads(schema))
    for level in ("lights", "circuits"):
        assert document[level]
        for row in document[level]:
            assert row["excess_low"] <= row["excess"] <= row["excess_high"]
            assert row["why"]


def test_circuits_come_in_the_order_of_faults_to_come(document) -> None:
    ahead = [row["expected_next_2y"] for row in document["circuits"]]
    assert ahead == sorted(ahead, reverse=True)
    for row in document["circuits"]:
        assert row["expected_next_2y_rebuilt"] <= row["expected_next_2y"] + 1e-9


def test_of_all_circuits_as_many_faults_are_expected_as_there_were(document) -> None:
    """An internally standardised ratio is 1 (Breslow and Day 1987, from memory).

    The factor of wet places, drawn to 1 by ten faults, moves it a little.
    """
    faults = sum(row["faults"] for row in document["circuits"])
    expected = sum(row["expected"] for row in document["circuits"])
    assert expected == pytest.approx(faults, rel=0.1)


def test_a_repair_that_did_not_hold_says_when_trouble_was_back(document) -> None:
    assert document["unheld_repairs"]
    days = [row["again_after_days"] for row in document["unheld_repairs"]]
    assert all(0 < one <= LAST_DAYS for one in days)


@pytest.fixture(scope="module")
def papers(town, tmp_path_factory):
    folder = tmp_path_factory.mktemp("papers")
    words = ["report", "all", "--out", str(folder), "--db", town.address]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(PAPERS))
def test_every_report_is_a_page_tables_and_a_workbook(papers, name) -> None:
    page = (papers / f"{name}.html").read_text("utf-8")
    for said in ("as of 2025-10-01", "Rests on", "Method", "Left out"):
        assert said in page
    assert "://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert len(page.encode()) <= 5_000_000
    book = load_workbook(papers / f"{name}.xlsx")
    tables = sorted(papers.glob(f"{name}-*.csv"))
    assert len(book.sheetnames) == len(tables) + 1
    for path in tables:
        with path.open(encoding="utf-8-sig", newline="") as file:
            lines = list(csv.reader(file))
        sheet = book[path.stem.removeprefix(f"{name}-")[:31]]
        assert sheet.max_row == len(lines)
        assert all(len(line) == len(lines[0]) for line in lines)


def test_a_report_by_itself_is_as_among_all(town, papers, tmp_path) -> None:
    words = ["report", "warranty", "--out", str(tmp_path), "--db", town.address]
    assert CliRunner().invoke(app, words).exit_code == 0
    made = sorted(path.name for path in tmp_path.iterdir())
    assert made == sorted(path.name for path in papers.glob("warranty*"))
    for name in made:
        if not name.endswith(".xlsx"):
            assert (tmp_path / name).read_bytes() == (papers / name).read_bytes()


def test_an_unknown_report_or_month_is_refused_in_a_line(town, tmp_path) -> None:
    for words, expected in (
        (["nonsense"], "monthly, repeats, batches"),
        (["monthly", "--month", "2031-01"], "lies outside the record"),
        (["monthly", "--month", "soon"], "expected YYYY-MM"),
    ):
        end = ["--out", str(tmp_path), "--db", town.address]
        result = CliRunner().invoke(app, ["report", *words, *end])
        assert result.exit_code == 2
        assert expected in " ".join(result.output.split())
        assert "Traceback" not in result.output
