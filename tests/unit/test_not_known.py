"""No command prints a number that stands on nothing: it says why it is not known."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from lightwatch.cli import app
from lightwatch.decisions.grounds import grounds
from reports.papers import PAPERS
from reports.papers.desk import Desk
from reports.papers.faces import as_html
from reports.papers.paper import Paper
from tests.absent_records import LIGHTS, TOWNS, register, town
from tests.packages import take_in, write_package

NO_REPAIRS = "no repairs are on record"
NO_CAUSE = "no repair on record says what had failed"
NO_REPORTS = "no reports are on record"
NO_MODELS = "no models"

UNKNOWN = {
    "feeds": {"rates": NO_REPAIRS, "lives": NO_REPAIRS, "repeats": NO_REPAIRS,
              "stock": NO_MODELS, "outages": NO_REPORTS},
    "lights": {"rates": NO_REPAIRS, "lives": NO_REPAIRS, "repeats": NO_REPAIRS,
               "stock": NO_MODELS, "outages": NO_REPORTS},
    "reports": {"rates": NO_REPAIRS, "lives": NO_REPAIRS, "repeats": NO_REPAIRS,
                "stock": NO_MODELS},
    "repairs": {"stock": NO_MODELS, "outages": NO_REPORTS},
    "both": {"stock": NO_MODELS},
    "silent": {"rates": NO_CAUSE, "lives": NO_CAUSE, "repeats": NO_CAUSE,
               "stock": NO_MODELS},
}  # fmt: skip
"""Of each town, which answers are not known and why."""

ASK = ("rates", "lives", "repeats", "stock", "outages")


def figures(document: Any) -> list[float]:
    """Every number in a document, however deep."""
    if isinstance(document, dict):
        return [n for name, one in document.items() for n in figures(one)
                if name != "confidence"]  # fmt: skip
    if isinstance(document, list):
        return [n for one in document for n in figures(one)]
    number = isinstance(document, int | float) and not isinstance(document, bool)
    return [document] if number else []


@pytest.fixture(scope="module", params=sorted(TOWNS))
def store(request: Any, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    name = str(request.param)
    folder = tmp_path_factory.mktemp(name)
    town(folder, TOWNS[name])
    return name, f"sqlite:///{folder / 'town'}.db"


def asked(address: str, *words: str) -> str:
    result = CliRunner().invoke(app, [*words, "--db", address])
    assert result.exit_code == 0, result.output
    return result.stdout


@pytest.mark.parametrize("command", ASK)
def test_what_stands_on_nothing_is_not_known(
    command: str, store: tuple[str, str]
) -> None:
    name, address = store
    reason = UNKNOWN[name].get(command, "")
    document = json.loads(asked(address, command, "--json"))
    text = asked(address, command)
    assert "Stands on: " in text
    if not reason:
        assert document["not_known"] is None
        assert "Not known" not in text
        return
    assert reason in document["not_known"]
    assert "load " in document["not_known"]
    assert not figures(document)
    assert " ".join(text.split()).startswith(f"Not known, because {reason}")
    assert "Nothing is open" not in text
    assert "will cost" not in text


def test_the_map_says_it_too(store: tuple[str, str], tmp_path: Path) -> None:
    name, address = store
    page = tmp_path / "map.html"
    asked(address, "map", "--out", str(page))
    reason = UNKNOWN[name].get("outages")
    assert (f"Not known, because {reason}" in page.read_text("utf-8")) == bool(reason)


def test_answers_says_which_can_be_had(store: tuple[str, str]) -> None:
    name, address = store
    document = json.loads(asked(address, "answers", "--json"))
    how = {one["command"]: one for one in document["answers"]}
    for command, reason in UNKNOWN[name].items():
        found = how["outages, map" if command == "outages" else command]
        assert found["how_well"] == "not at all"
        assert reason in found["judged_by"]
    wanted = " ".join(one["record"] for one in document["would_add_most"])
    if name in ("lights", "repairs"):
        assert "reports" in wanted
    if name in ("lights", "reports", "silent", "feeds"):
        assert document["would_add_most"][0]["record"].startswith("what had failed")
    screen = asked(address, "answers")
    assert len(screen.splitlines()) <= 60


def test_a_patrol_does_not_say_how_many_it_will_find(store: tuple[str, str]) -> None:
    _, address = store
    patrol = ("patrol", "--night", "2019-12-30", "--improve", "0")
    document = json.loads(asked(address, *patrol, "--json"))
    text = asked(address, *patrol)
    assert "no roads are on record" in document["not_known"]
    assert "how many lights out that nobody has reported will be seen is" in text
    assert "0.0 lights" not in text


def test_what_patrols_note_is_not_known_where_none_drove(tmp_path: Path) -> None:
    found = town(tmp_path, TOWNS["both"])
    address = f"sqlite:///{tmp_path / 'town'}.db"
    assert found.register
    document = json.loads(asked(address, "lives", "--json"))
    assert document["detection"]["patrol_passes_per_year"] is None
    assert {one["patrol_hit"] for one in document["detection"]["symptoms"]} == {None}
    assert "no night patrol is" in asked(address, "lives")


def cells(paper: Paper, table: str) -> list[Any]:
    found = next(one for one in paper.tables if one.name == table)
    return [cell for row in found.rows for cell in row[1:]]


@pytest.mark.parametrize("name", sorted(TOWNS))
def test_every_paper_says_what_it_stands_on(name: str, tmp_path: Path) -> None:
    desk = Desk(register(tmp_path, name))
    for title in PAPERS:
        if title == "patrol":
            continue
        paper = PAPERS[title](desk)
        assert paper.stands_on, title
        reason = grounds(desk.register, title).not_known
        assert ("Not known, because" in as_html(paper)) == bool(reason), title
        assert not (reason and paper.tables), title


@pytest.mark.parametrize(
    ("title", "reason"),
    [
        ("batches", "no models are on record"),
        ("rebuild", "no circuits are on record"),
        ("warranty", "no warranty of any model"),
        ("photocontrols", NO_MODELS),
    ],
)
def test_a_paper_without_its_records_shows_no_figures(
    title: str, reason: str, tmp_path: Path
) -> None:
    paper = PAPERS[title](Desk(register(tmp_path, "both")))
    assert f"Not known, because {reason}" in as_html(paper)
    assert paper.tables == ()


def test_energy_without_watts_is_not_nothing(tmp_path: Path) -> None:
    bare = [{**row, "watts": ""} for row in LIGHTS]
    package = write_package(
        tmp_path / "town",
        {"lights": bare},
        created="2020-01-01T00:00:00Z",
        opened_on="2019-01-01",
    )
    paper = PAPERS["energy"](Desk(take_in(package).register))
    assert "Not known, because no watts" in as_html(paper)
    assert "0 kWh" not in as_html(paper)


def test_a_month_without_reports_has_no_backlog_of_none(tmp_path: Path) -> None:
    paper = PAPERS["monthly"](Desk(register(tmp_path, "lights")))
    assert set(cells(paper, "backlog")) == {None}
    assert {row[1] for row in paper.tables[1].rows} == {None}
    assert set(cells(paper, "work")) == {None}
    assert "not known, because no reports" in as_html(paper)
    assert "0 jobs" not in as_html(paper)


def test_a_month_with_reports_and_repairs_has_both(tmp_path: Path) -> None:
    paper = PAPERS["monthly"](Desk(register(tmp_path, "both")))
    assert None not in cells(paper, "work")
    assert "were open at the end of the month" in as_html(paper)
