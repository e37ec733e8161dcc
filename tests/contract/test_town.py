"""The contract, held against the shared town: its schemas, its format, its bad rows."""

from __future__ import annotations

import csv
import json
import warnings
from collections import Counter
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner

from lightwatch.cli import app
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.words import descriptor


def asked(town, *words: str) -> str:
    """What a command prints of the town, as JSON text."""
    result = CliRunner().invoke(app, [*words, "--json", "--db", town.address])
    assert result.exit_code == 0, result.output
    return result.stdout


def schema(shared: Path, name: str) -> jsonschema.Draft202012Validator:
    text = (shared / "contract" / f"{name}.schema.json").read_text("utf-8")
    return jsonschema.Draft202012Validator(json.loads(text))


def refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is no JSON")


def by_name(rows: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {row["name"]: row for row in rows}


MAY_LACK = {"lights.technology", "circuits.feed", "components", "circuits", "repairs"}
"""What the shared format demands, and ours does without."""


def test_the_words_are_those_of_the_shared_format(shared):
    """All of it is in ours; what ours adds, no package must have."""
    text = (shared / "exchange" / "datapackage.json").read_text("utf-8")
    ours = by_name(descriptor()["resources"])
    assert set(ours) == set(by_name(json.loads(text)["resources"]))
    for name, shared_one in by_name(json.loads(text)["resources"]).items():
        one = ours[name]
        assert one["path"] == shared_one["path"]
        must = one.get("lightwatch:required"), shared_one.get("lightwatch:required")
        assert must == (None, True) if name in MAY_LACK else must[0] == must[1]
        if "schema" not in shared_one:
            continue
        said, wanted = one["schema"], shared_one["schema"]
        assert said.get("primaryKey") == wanted.get("primaryKey")
        keys = wanted.get("foreignKeys", [])
        assert all(key in said["foreignKeys"] for key in keys)
        columns = by_name(said["fields"])
        for field in wanted["fields"]:
            column, theirs = columns.pop(field["name"]), field.get("constraints", {})
            if f"{name}.{field['name']}" in MAY_LACK:
                del theirs["required"]
            assert column["type"] == field["type"]
            mine = column.get("constraints", {})
            assert set(theirs.pop("enum", ())) <= set(mine.pop("enum", ()))
            assert mine == theirs, field["name"]
        added = [one.get("constraints", {}) for one in columns.values()]
        assert not any(constraints.get("required") for constraints in added)


def test_what_load_prints_is_as_its_schema_says(shared, town, tmp_path):
    rejects = tmp_path / "rejects.csv"
    text = asked(town, "load", str(town.folder), "--rejects", str(rejects))
    document = json.loads(text, parse_constant=refuse)
    schema(shared, "load").validate(document)
    counts = document["resources"]
    assert all(one["loaded"] == one["changed"] == 0 for one in counts.values())
    rows = list(csv.DictReader(rejects.read_text("utf-8").splitlines()))
    told = {(row["resource"], row["row"]) for row in rows}
    assert len(told) == sum(one["rejected"] for one in counts.values())
    assert set(Counter(name for name, _ in told).items()) == {
        (name, one["rejected"]) for name, one in counts.items() if one["rejected"]
    }


@pytest.mark.parametrize(
    "words",
    [
        ["rates"],
        ["rates", "--by", "technology,feed"],
        ["rates", "--by", "kind,age,vintage"],
        ["rates", "--by", "maker,model,control,station,road_class,circuit"],
        ["rates", "--as-of", "2019-03-01"],
        ["rates", "--as-of", "2015-06-01"],
        ["outages"],
        ["outages", "--as-of", "2018-03-25T02:30"],
        ["outages", "--as-of", "2015-06-01"],
    ],
    ids=" ".join,
)
def test_what_a_question_prints_is_as_its_schema_says(shared, town, words):
    document = json.loads(asked(town, *words), parse_constant=refuse)
    schema(shared, words[0]).validate(document)
    if words[-1] == "2015-06-01":
        assert document.get("outages", []) == []
    elif words[0] == "rates":
        assert document["rows"]
    else:
        assert document["outages"]


def test_every_row_is_loaded_or_told_of(town):
    for name, count in town.outcome.counts.items():
        assert count.read == count.loaded + count.rejected + count.repeated, name
        rows = {one.row for one in town.outcome.rejects if one.resource == name}
        assert len(rows) == count.rejected, name
        assert len(list(town.store.rows(name))) == count.loaded, name


def test_a_told_row_is_the_line_that_bears_its_key(town):
    lines: dict[str, list[str]] = {}
    for one in town.outcome.rejects:
        if one.resource not in lines:
            text = (town.folder / f"{one.resource}.csv").read_text("utf-8")
            lines[one.resource] = text.splitlines()
        line = lines[one.resource][one.row - 1]
        for part in one.key.split("|")[:1]:
            assert part in line.split(","), one


def test_what_the_open_standard_rejects_is_rejected_or_left_blank(town):
    """Frictionless counts rows from 1, header included; no cell here has a break.

    It rejects a row that wholly repeats another, too; to us that is no bad row.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frictionless = pytest.importorskip("frictionless")
        found = set()
        for resource in frictionless.Package(
            str(town.folder / "datapackage.json")
        ).resources:
            if resource.name == "roads":
                continue
            resource.schema.foreign_keys = []
            checker = frictionless.Detector(schema_sync=True)
            resource.detector = checker
            report = resource.validate(limit_errors=100_000)
            assert report.stats["errors"] < 100_000
            found |= {
                (resource.name, number)
                for kind, number in report.flatten(["type", "rowNumber"])
                if kind in STANDARD and number is not None
            }
    ours = {(one.resource, one.row) for one in town.outcome.rejects}
    warned = town.outcome.warnings
    ours |= {(name, row) for name, row, reason in warned if "left blank" in reason}
    assert len(found) > 20
    again = {n: c.repeated for n, c in town.outcome.counts.items() if c.repeated}
    assert Counter(name for name, _ in found - ours) == again


STANDARD = {
    "type-error",
    "constraint-error",
    "primary-key",
    "primary-key-error",
    "unique-error",
    "missing-cell",
    "extra-cell",
}
"""Errors of a value or a key, as the standard's own validator names them."""


def test_loading_the_town_again_changes_nothing(town):
    loads = town.store.loads()
    now = loads[-1].loaded_at + 1
    again = load(town.store, Package.open(town.folder), now=now, said_by="a test")
    assert {(one.loaded, one.changed) for one in again.counts.values()} == {(0, 0)}
    assert again.rejects == town.outcome.rejects
    assert again.warnings == town.outcome.warnings
    assert town.store.loads() == loads


def test_what_is_known_hangs_together(town):
    known = Known(town.store, default_as_of(town.store))
    lights = set(known.lights["light_id"])
    assert set(known.components["light_id"]) - {""} <= lights
    assert set(known.sightings["light_id"]) <= lights
    assert set(known.sightings["patrol_id"]) <= set(known.patrols["patrol_id"])
    assert set(known.reports["light_id"]) - {""} <= lights
    assert set(known.repairs["light_id"]) - {""} <= lights
    reports = set(known.reports["report_id"])
    assert set(known.repairs["report_id"]) - {""} <= reports
    assert (known.repairs["recorded"] >= known.repairs["happened"]).all()
    assert (known.repairs["recorded"] < known.as_of).all()


def test_a_part_installed_in_a_known_year_has_that_vintage(town):
    """The town lies east of Greenwich: its years begin before those of UTC."""
    result = CliRunner().invoke(
        app, ["rates", "--by", "vintage,kind", "--json", "--db", town.address]
    )
    rows = json.loads(result.stdout)["rows"]
    lamps = {r["vintage"]: r["unit_years"] for r in rows if r["kind"] == "lamp"}
    assert lamps["unknown"] < 0.05 * sum(lamps.values())
