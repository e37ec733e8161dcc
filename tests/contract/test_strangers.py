"""From a stranger's folder to outages, a map and a report, by reading messages only.

What an answer cannot stand on must be said to be not known, and a feed that was cut
must be found where the files give it away. The number of steps is held down.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from tests import strangers
from tests.planner import answers_of
from tests.strangers import hidden
from tests.walks import Walk

pytestmark = pytest.mark.slow


def walked(name: str, folder: Path, *, loads: bool = True) -> Walk:
    """Draft, answer, check, load."""
    town = folder / "city"
    town.mkdir()
    strangers.WRITERS[name](town)
    walk = Walk(town)
    walk.draft_and_answer(answers_of(name))
    if loads:
        walk.run("load", "city", "--mapping", "mapping.toml", "--check")
        walk.run("load", "city", "--mapping", "mapping.toml")
    return walk


def shown(walk: Walk) -> tuple[dict[str, Any], str]:
    """Ask for outages, the map and the monthly report; return the first as both."""
    text = walk.run("outages")
    document = walk.asked("outages")
    walk.run("map", "--out", "map.html")
    walk.run("report", "monthly", "--out", "meeting")
    page = (walk.folder.parent / "map.html").read_text("utf-8")
    assert "http://" not in page.replace("http://www.w3.org", "")
    return document, text


def cut_cable(document: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the outage of the cut cable: the one that names most who were told."""
    told = set(hidden().told_poles)
    return max(document["outages"], key=lambda one: len(told & set(one["reported"])))


def test_a_register_alone_says_what_is_not_known(tmp_path: Path) -> None:
    walk = walked("register", tmp_path)
    document, text = shown(walk)
    assert text.startswith("Not known, because no reports are on record")
    assert document["outages"] == []
    assert "Not known" in walk.run("rates")
    assert walk.asked("rates")["rows"] == []
    walk.run("report", "energy", "--out", "meeting")
    page = (tmp_path / "meeting" / "energy.html").read_text("utf-8")
    assert "kWh" in page
    assert walk.steps <= 16, walk.commands


def test_requests_by_address_find_a_feed_that_no_record_names(tmp_path: Path) -> None:
    walk = walked("requests", tmp_path)
    document, text = shown(walk)
    fault = cut_cable(document)
    assert fault["verdict"] == "supply_fault"
    assert set(hidden().told_poles) <= set(fault["reported"])
    assert "inferred" in text
    assert len(document["outages"]) < 15, "closed requests are not open"
    assert "Not known" in walk.run("rates")
    assert walk.steps <= 15, walk.commands


def test_three_systems_join_by_tag_and_place(tmp_path: Path) -> None:
    walk = walked("three_systems", tmp_path)
    document, text = shown(walk)
    assert "lights on this stretch of the circuit reported out" in text
    fault = cut_cable(document)
    assert fault["verdict"] == "supply_fault"
    assert set(hidden().told_poles) <= set(fault["reported"])
    dark = set(hidden().dark_poles)
    assert len(dark & set(fault["lights"])) >= 0.8 * len(dark)
    assert len(document["outages"]) < 25
    rows = walk.asked("rates")["rows"]
    lamps = [one for one in rows if one["kind"] == "lamp"]
    assert sum(one["failures"] for one in lamps) > 10
    assert walk.steps <= 20, walk.commands


def test_forty_thousand_lights_of_which_little_is_known(tmp_path: Path) -> None:
    walk = walked("bare", tmp_path)
    document, text = shown(walk)
    assert document["outages"] == []
    assert text.startswith("Not known")
    assert walk.steps <= 13, walk.commands


def test_lanterns_and_the_next_month(tmp_path: Path) -> None:
    walk = walked("lanterns", tmp_path)
    lights = len(hidden().lights)
    path = tmp_path / "mapping.toml"
    first = walk.asked("load", "city", "--mapping", "mapping.toml")
    assert first["resources"]["lights"]["unchanged"] > lights
    strangers.lanterns(walk.folder / "Lanterns.csv", 2)
    said = path.read_text("utf-8").replace("2019-11-01T06:00", "2019-12-01T06:00")
    path.write_text(said, "utf-8")
    walk.edits += 1
    text = walk.run("load", "city", "--mapping", "mapping.toml")
    assert "20 lights are on record, in service, and not in this export" in text
    assert "10021-1 is now 90021-1" in text
    assert len((tmp_path / "missing.csv").read_text("utf-8").splitlines()) > 20
    assert walk.steps <= 15, walk.commands
