"""What a planner gives goes before what is assumed, and what is wrong is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from lightwatch.decisions.assumptions import read_assumptions
from lightwatch.errors import NotUnderstood
from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from reports.papers import PAPERS
from reports.papers.desk import Desk
from reports.papers.faces import as_html
from tests.small_city import small_city

GIVEN = """
[windows]
one_light = 5
[campaign]
part = 20
[rebuild]
per_metre = 60
[energy]
switching_deg = -2.5
"""


def read(folder: Path, text: str):
    path = folder / "ours.toml"
    path.write_text(text, "utf-8")
    return read_assumptions(path)


@pytest.fixture(scope="module")
def data(tmp_path_factory):
    store = open_store(small_city(tmp_path_factory.mktemp("city")))
    return lives(Register(Known(store, default_as_of(store))))


def test_what_is_not_named_stays_and_is_said_to_be_assumed(tmp_path) -> None:
    found = read(tmp_path, "[windows]\none_light = 5\n")
    assert found.windows.one_light == 5
    assert found.windows.feed == 30
    assert found.said("windows") == "as given"
    assert found.said("rebuild") == "assumed, no source"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[window]\na = 1", "'window' is not known (expected windows, campaign, re"),
        ("[rebuild]\nmetre = 1", "rebuild: 'metre' is not known (expected fault, per"),
        ("[rebuild]\nfault = 'dear'", "rebuild.fault = 'dear' is no number"),
        (
            "[rebuild]\nfault = -1",
            "cost of a rebuild: fault must not be negative",
        ),
        ("[windows]\nfeed = 0", "windows: a repair window is a number of days above"),
        ("[windows]\nfeed = true", "windows.feed = True is no number"),
        ("[energy]\nswitching_deg = nan", "energy.switching_deg = nan is no number"),
        ("[energy]\nswitching_deg = 40", "energy: lights switch with the sun between"),
        ("rebuild = 3", "rebuild must be a table"),
        ("rebuild", "is no TOML or JSON"),
    ],
)
def test_a_file_that_is_wrong_is_refused_in_a_line(tmp_path, text, told) -> None:
    with pytest.raises(NotUnderstood) as caught:
        read(tmp_path, text)
    assert told in str(caught.value)
    assert "ours.toml" in str(caught.value)


def test_reports_reckon_with_what_was_given_and_say_so(tmp_path, data) -> None:
    register = data.register
    usual, own = Desk(register), Desk(register, "", read(tmp_path, GIVEN))
    papers = {
        name: (PAPERS[name](usual), PAPERS[name](own))
        for name in ("monthly", "rebuild", "energy", "batches")
    }
    for before, after in papers.values():
        assert "as given" in as_html(after)
        assert "as given" not in as_html(before)
        assert "assumed, no source" in as_html(before)

    def column(paper, table: str, head: str) -> list:
        (found,) = (one for one in paper.tables if one.name == table)
        return [row[found.heads.index(head)] for row in found.rows]

    dear, cheap = (
        column(p, "circuits", "Cost of rebuilding") for p in papers["rebuild"]
    )
    pairs = [(a, b) for a, b in zip(dear, cheap, strict=True) if a]
    assert pairs
    assert all(b == pytest.approx(a / 2, abs=1) for a, b in pairs)
    hours = [sum(column(p, "energy", "Burn hours [h]")) for p in papers["energy"]]
    assert hours[1] > hours[0]
    assert 5.0 in column(papers["monthly"][1], "days-to-repair", "Window [d]")
