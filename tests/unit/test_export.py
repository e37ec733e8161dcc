"""What goes out comes back in, to the letter."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import pandas as pd
import pytest

from lightwatch.errors import Conflict, UnknownAsset
from lightwatch.observations.export import export
from lightwatch.observations.known import Known, default_as_of
from lightwatch.store import Store
from tests.contract.answers import answers
from tests.towns import (
    CLOCK,
    NOW,
    TABLES,
    lines_in,
    little_town,
    new_store,
    roads_text,
    take_in,
)

LATER = CLOCK.instant("2020-02-05T09:00")


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def out_and_back(store: Store, tmp_path: Path) -> tuple[Store, Path]:
    """Export, load into an empty store, export again; both exports must agree."""
    export(store, tmp_path / "out")
    again = new_store(tmp_path, "again.db")
    outcome = take_in(again, tmp_path / "out", now=LATER + 10**9)
    assert outcome.rejects == []
    export(again, tmp_path / "out again")
    assert files(tmp_path / "out") == files(tmp_path / "out again")
    return again, tmp_path / "out"


def content(store: Store) -> str:
    """All that is on record, but for the numbers of loads and places in tables."""
    rows = {
        name: [{**row, "load_id": None, "position": None} for row in store.rows(name)]
        for name in [*TABLES, "roads"]
    }
    past = {
        name: sorted(
            json.dumps({**row, "position": None}, sort_keys=True)
            for row in store.history(name)
        )
        for name in rows
    }
    return json.dumps([rows, past], sort_keys=True)


@pytest.fixture
def changed(tmp_path):
    """A store of two exports: the second changed rows of four files, one twice."""
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "one"))
    second = {
        "lights": {2: {"circuit_id": "C2", "section_id": "S6"}, 5: {"notes": "bent"}},
        "repairs": {3: {"cause": "wiring"}},
        "sightings": {2: {"state": "dim"}},
        "patrols": {4: {"kind": "night"}},
    }
    take_in(
        store, little_town(tmp_path / "two", created="2020-02-01", **second), now=LATER
    )
    third = {**second, "lights": {2: {"circuit_id": "C2", "section_id": "S5"}}}
    take_in(
        store,
        little_town(tmp_path / "three", created="2020-03-01", **third),
        now=LATER + 10**9,
    )
    return store


def test_a_town_goes_out_as_it_came_in_and_comes_back_to_the_same_store(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town"))
    again, out = out_and_back(store, tmp_path)
    for name, text in TABLES.items():
        assert (out / f"{name}.csv").read_text("utf-8") == text
    assert content(again) == content(store)
    assert default_as_of(again) == default_as_of(store)


def test_a_town_with_bad_rows_comes_back_without_them(tmp_path):
    store = new_store(tmp_path)
    end = lines_in("models")
    town = little_town(
        tmp_path / "town",
        lights={2: {"watts": "-1"}},
        repairs={5: {"action": "?"}, 6: {"report_id": "Q99"}},
        models={end: {"model": "PC-A", "kind": "photocontrol"}},
    )
    assert take_in(store, town).rejects
    again, _ = out_and_back(store, tmp_path)
    assert content(again) == content(store)


def test_columns_and_road_properties_of_the_utilitys_own_are_kept(tmp_path):
    store = new_store(tmp_path)
    town = little_town(
        tmp_path / "town",
        lights={2: {"paint": "green"}, 9: {"geometry": "left, of\nthe gate"}},
        weather={3: {"snow_cm": "4"}},
    )
    take_in(store, town)
    again, out = out_and_back(store, tmp_path)
    lights = (out / "lights.csv").read_text("utf-8")
    assert lights.splitlines()[0].endswith(",notes,paint,geometry")
    assert 'left, of\nthe gate"' in lights
    assert "snow_cm" in (out / "weather.csv").read_text("utf-8")
    roads = json.loads((out / "roads.geojson").read_text("utf-8"))
    came = json.loads(roads_text())
    assert roads == came
    assert content(again) == content(store)


@pytest.mark.parametrize(
    "note", ["a\rb", "a\nb", "a\r\nb", '"', ",", " x ", "'=1+1", "ä\u2028ö", "\ufeff"]
)
def test_any_text_in_a_cell_comes_back_to_the_letter(tmp_path, note):
    quoted = '"' + note.replace('"', '""') + '"'
    text = TABLES["circuits"].replace("T2", quoted)
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town", circuits=text))
    again, _ = out_and_back(store, tmp_path)
    for one in (store, again):
        assert [row["source"] for row in one.rows("circuits")] == ["T1", note]


@pytest.mark.parametrize("name", [*TABLES])
def test_a_file_with_no_rows_goes_out_as_one(tmp_path, name):
    store = new_store(tmp_path)
    header = TABLES[name].splitlines()[0] + "\n"
    take_in(store, little_town(tmp_path / "town", **{name: header}))
    again, out = out_and_back(store, tmp_path)
    assert (out / f"{name}.csv").read_text("utf-8") == header
    assert content(again) == content(store)


def test_a_file_that_never_came_does_not_go_out(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town", stock=None, roads=None))
    _, out = out_and_back(store, tmp_path)
    described = json.loads((out / "datapackage.json").read_text("utf-8"))
    names = {one["name"] for one in described["resources"]}
    assert {"lights", "weather"} <= names
    assert not names & {"stock", "roads", "history"}
    assert not (out / "stock.csv").exists()
    assert not (out / "roads.geojson").exists()


def test_older_versions_of_rows_go_out_and_come_back(changed, tmp_path):
    again, out = out_and_back(changed, tmp_path)
    assert content(again) == content(changed)
    assert len((out / "history.csv").read_text("utf-8").splitlines()) == 8
    for at in (NOW, LATER, LATER + 1, LATER + 10**9, LATER + 10**9 + 1):
        for name in ("lights", "sections", "repairs", "patrols", "sightings"):
            frames = (getattr(Known(store, at), name) for store in (again, changed))
            pd.testing.assert_frame_equal(*frames)
    assert answers(again, LATER + 1) == answers(changed, LATER + 1)


def test_a_changed_sighting_is_known_no_earlier_for_having_gone_out(changed, tmp_path):
    again, _ = out_and_back(changed, tmp_path)
    over = CLOCK.instant("2016-12-06T12:00")
    for store in (changed, again):
        assert Known(store, over - 1).sightings.empty
        (seen,) = Known(store, over).sightings["state"]
        assert seen == "out"


@pytest.mark.parametrize("where", ["the store that it came from", "another store"])
def test_loading_an_export_with_a_history_twice_changes_nothing(
    changed, tmp_path, where
):
    export(changed, tmp_path / "out")
    store = changed
    if where == "another store":
        store = new_store(tmp_path, "other.db")
        take_in(store, tmp_path / "out")
    before, loads = content(store), store.loads()
    outcome = take_in(store, tmp_path / "out", now=LATER + 2 * 10**9)
    assert content(store) == before
    assert {count.changed for count in outcome.counts.values()} == {0}
    assert len(store.loads()) - len(loads) in (0, 1)


@pytest.mark.parametrize(
    "line",
    [
        "lights,L01,never,2020-02-05T09:00,x,{}",
        "nothing,L01,2020-02-05T09:00,2020-02-05T09:00,x,{}",
        "lights,L01,2020-02-05T09:00,2020-02-05T09:00,x,[]",
        "lights,L01,2020-02-05T09:00,2020-02-05T09:00,x,{",
        "lights,L01",
        'lights,"L01"x',
    ],
)
def test_a_history_that_is_not_as_written_is_refused_in_one_line(tmp_path, line):
    town = little_town(tmp_path / "town")
    where = town / "datapackage.json"
    described = json.loads(where.read_text("utf-8"))
    described["resources"].append({"name": "history", "path": "history.csv"})
    where.write_text(json.dumps(described), "utf-8")
    header = "resource,key,effective,recorded,said_by,content\n"
    (town / "history.csv").write_text(header + line + "\n", "utf-8")
    store = new_store(tmp_path)
    with pytest.raises(ValueError, match=r"history\.csv, line 2") as refused:
        take_in(store, town)
    assert "\n" not in str(refused.value)
    assert store.loads() == []


def test_an_export_is_a_valid_data_package(changed, tmp_path):
    take_in(
        changed,
        little_town(
            tmp_path / "four", created="2020-03-01", lights={2: {"paint": "x"}}
        ),
        now=LATER + 2 * 10**9,
    )
    export(changed, tmp_path / "out")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frictionless = pytest.importorskip("frictionless")
        described = str(tmp_path / "out" / "datapackage.json")
        report = frictionless.validate(described)
    assert report.flatten(["type", "title", "note", "rowNumber"]) == []
    assert report.valid
    assert "history" in {task.name for task in report.tasks}


def test_an_export_never_writes_over_anything(changed, tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").touch()
    (tmp_path / "file").touch()
    for where in ("full", "file"):
        with pytest.raises(Conflict, match="is not an empty folder"):
            export(changed, tmp_path / where)
    with pytest.raises(Conflict, match="cannot be made"):
        export(changed, tmp_path / "file" / "below")
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["x"]


def test_an_empty_store_has_nothing_to_export(tmp_path):
    with pytest.raises(UnknownAsset, match="store is empty"):
        export(new_store(tmp_path), tmp_path / "out")
    assert not (tmp_path / "out").exists()
