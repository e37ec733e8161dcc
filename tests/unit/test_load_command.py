"""`lightwatch load` says what matters: what went in, what did not, what to answer."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from lightwatch.cli import app
from lightwatch.errors import LightwatchError
from lightwatch.store import open_store
from tests.towns import TABLES, little_town

DB = "sqlite:///store.db"


@pytest.fixture
def load(tmp_path, monkeypatch):
    """Run the command in a folder of its own."""
    monkeypatch.chdir(tmp_path)

    def do(folder: Path, *options: str) -> Result:
        return CliRunner().invoke(app, ["load", str(folder), "--db", DB, *options])

    return do


def mostly_bad(folder: Path) -> Path:
    """The little town with four of its nine repairs spoilt, for two reasons."""
    lines = {2: {"action": "mended"}, 3: {"action": "mended"}, 4: {"action": "seen to"}}
    return little_town(folder, repairs={**lines, 5: {"performed_at": "once"}})


def test_a_file_that_is_mostly_refused_keeps_all_out_and_says_why_last(load, tmp_path):
    folder = mostly_bad(tmp_path / "town")
    result = load(folder)
    assert isinstance(result.exception, LightwatchError)
    assert "more than a tenth of repairs" in str(result.exception)
    assert "--partial" in str(result.exception)
    *_, said, first, second = result.stdout.splitlines()
    assert said == "REFUSED: 4 of 9 rows of repairs."
    assert first.startswith("  3 times, such as: action is not in the list")
    assert second.startswith("  1 times, such as: performed_at is not a time")
    assert open_store(DB).loads() == []
    assert len((tmp_path / "rejects.csv").read_text("utf-8").splitlines()) == 5


def test_the_good_rows_go_in_if_one_says_so(load, tmp_path):
    result = load(mostly_bad(tmp_path / "town"), "--partial", "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["resources"]["repairs"]["loaded"] == 5
    assert document["resources"]["repairs"]["went_in"] == pytest.approx(5 / 9)
    assert [one["rows"] for one in document["mostly_refused"]["repairs"]] == [3, 1]
    assert not document["refused"]
    assert len(list(open_store(DB).rows("repairs"))) == 5


def test_a_tenth_is_not_too_many(load, tmp_path):
    reports = TABLES["reports"].splitlines()[1].split(",", 1)[1]
    more = "".join(f"Z{i},{reports}\n" for i in range(8))
    bad = "Z9,never,L01,,,out,,,\n"
    folder = little_town(tmp_path / "town", reports=TABLES["reports"] + more + bad)
    assert load(folder).exit_code == 0
    more = little_town(tmp_path / "two", reports=TABLES["reports"] + bad + "Z8" + bad)
    assert load(more).exit_code == 1


def test_a_check_says_the_same_and_changes_nothing(load, tmp_path):
    folder = little_town(tmp_path / "town", lights={5: {"watts": "286(LED)"}})
    checked = load(folder, "--check")
    assert checked.exit_code == 0
    assert not (tmp_path / "store.db").exists()
    *said, last = checked.stdout.splitlines()
    assert last == "Checked only: nothing was changed."
    assert said == load(folder).stdout.splitlines()
    before = len(open_store(DB).loads())
    later = little_town(tmp_path / "two", created="2020-02-01")
    assert load(later, "--check").exit_code == 0
    assert len(open_store(DB).loads()) == before
    assert load(mostly_bad(tmp_path / "bad"), "--check").exit_code == 1


def test_warnings_that_are_alike_are_one_line(load, tmp_path):
    lights = {i: {"watts": f"{i}(LED)"} for i in range(2, 12)}
    result = load(little_town(tmp_path / "town", lights=lights))
    (line,) = (one for one in result.stdout.splitlines() if "watts" in one)
    assert line == (
        "warning: lights, 10 rows, first line 2: watts is not a number: '2(LED)'; "
        "left blank"
    )


def test_what_is_absent_says_what_it_costs(load, tmp_path):
    names = ["circuits", "sections", "repairs"]
    folder = little_town(tmp_path / "town", **dict.fromkeys(names))
    said = load(folder).stdout
    assert "2 circuits made from what lights and sections name" in said
    assert "No repairs: no failure is known: no rates, no lives" in said
    assert "No sections: " in said


def test_questions_of_missing_lights_are_a_table_to_fill_in(load, tmp_path):
    assert load(little_town(tmp_path / "one")).exit_code == 0
    gone = "\n".join(r for r in TABLES["lights"].splitlines() if r[:3] != "L02")
    renumbered = gone.replace("\nL01,", "\nN01,") + "\n"
    later = little_town(tmp_path / "two", created="2020-02-01", lights=renumbered)
    said = load(later).stdout
    assert "1 lights are on record, in service, and not in this export: L02." in said
    assert "L01 is now N01" in said
    with (tmp_path / "missing.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["light_id"], row["what"], row["new_number"]) for row in rows] == [
        ("L01", "renumbered", "N01"),
        ("L02", "", ""),
    ]
    filled = "light_id,what,on,new_number\nL02,removed,2020-01-15,\n"
    (tmp_path / "answers.csv").write_text(filled, "utf-8")
    result = load(later, "--missing", "answers.csv")
    assert result.exit_code == 0
    assert "1 lights taken out of service, as you said." in result.stdout
    assert "are on record" not in load(later).stdout
