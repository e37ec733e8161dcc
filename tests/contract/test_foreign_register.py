"""A foreign register loads by a drafted mapping with under ten corrections.

The proof that records in other columns, codes, units, dates, encodings, files and
coordinates are the same records: the answers learnt from them are the same.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path

import pytest

from demo_city import Parameters, simulate
from lightwatch.errors import NotUnderstood
from lightwatch.lives import lives
from lightwatch.observations.drafting import draft
from lightwatch.observations.export import export
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.mapped import MappedPackage
from lightwatch.observations.mapping import read_mapping
from lightwatch.observations.outcome import Outcome
from lightwatch.observations.package import Package
from lightwatch.rates import rates
from lightwatch.register import Register
from lightwatch.store import Store, open_store
from reports.answers import rates_document
from tests.foreign_register import NAMES, write_foreign

SEED = 7
CORRECTIONS = (
    ('opened_on = "', 'opened_on = "2015-11-01"'),
    ('created = "', 'created = "2025-11-01T06:00:00+00:00"'),
    ('timezone = "?"', 'timezone = "Europe/London"'),
    ('length = "?"', 'length = "ft"'),
    ('speed = "?"', 'speed = "km/h"'),
    ('weather = "?"', 'weather = "metric"'),
)
"""What a person who knows the utility puts in: each the start of one line."""


@dataclass(frozen=True)
class Loaded:
    """The village as our package and as the other utility's folder, both taken in."""

    original: Store
    foreign: Store
    outcomes: tuple[Outcome, Outcome]
    folder: Path
    mapping: Path


def corrected(text: str) -> str:
    """Apply the corrections; each changes exactly one line."""
    lines = text.splitlines(keepends=True)
    for old, new in CORRECTIONS:
        (at,) = [i for i, line in enumerate(lines) if line.startswith(old)]
        lines[at] = f"{new}\n"
    return "".join(lines)


@pytest.fixture(scope="module")
def village(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    at = tmp_path_factory.mktemp("foreign")
    simulate(Parameters.small(), SEED).write(at / "package")
    folder = write_foreign(at / "package", at / "Ambrellow")
    mapping = at / "mapping.toml"
    mapping.write_text(corrected(draft(folder).text), "utf-8")
    packages = (
        Package.open(at / "package"),
        MappedPackage.through(folder, read_mapping(mapping)),
    )
    stores = [open_store(f"sqlite:///{at}/{i}.db", create=True) for i in (0, 1)]
    outcomes = [
        load(store, package, now=package.created, said_by="a test")
        for store, package in zip(stores, packages, strict=True)
    ]
    return Loaded(*stores, (outcomes[0], outcomes[1]), folder, mapping)


def answered(store: Store, by: tuple[str, ...]) -> str:
    known = Known(store, default_as_of(store))
    written = known.clock.written(known.as_of)
    found = rates(lives(Register(known)), by)
    return json.dumps(rates_document(written, found), indent=1)


def test_under_ten_corrections_are_needed(village: Loaded) -> None:
    drafted = draft(village.folder)
    asked = [old for old, _ in CORRECTIONS if old.endswith('"?"')]
    assert drafted.questions == len(asked) == 4
    assert len(CORRECTIONS) < 10
    assert set(drafted.matched) == set(NAMES)
    assert village.mapping.read_text("utf-8").count('= "?"  #') == 0


def test_every_row_goes_in_as_it_does_from_our_own_format(village: Loaded) -> None:
    ours, theirs = village.outcomes
    assert theirs.rejects == []
    assert theirs.counts == ours.counts
    assert theirs.counts["repairs"].loaded > 1000
    assert theirs.warnings == ours.warnings


@pytest.mark.parametrize("by", [("kind", "type"), ("technology", "feed"), ("station",),
                                ("road_class",), ("kind", "maker"), ("vintage",)],
                         ids="-".join)  # fmt: skip
def test_rates_are_the_same_to_the_last_digit(
    village: Loaded, by: tuple[str, ...]
) -> None:
    ours, theirs = (answered(one, by) for one in (village.original, village.foreign))
    assert theirs == ours
    rows = json.loads(ours)["rows"]
    assert sum(row["failures"] for row in rows) > 100


def test_loading_it_again_changes_nothing(village: Loaded) -> None:
    package = MappedPackage.through(village.folder, read_mapping(village.mapping))
    again = load(village.foreign, package, now=package.created, said_by="a test")
    for name, count in again.counts.items():
        assert count.unchanged == count.read > 0, name


def test_it_is_exported_in_our_format(village: Loaded, tmp_path: Path) -> None:
    export(village.foreign, tmp_path / "out")
    package = Package.open(tmp_path / "out")
    store = open_store(f"sqlite:///{tmp_path}/again.db", create=True)
    outcome = load(store, package, now=package.created, said_by="a test")
    assert outcome.rejects == []
    assert answered(store, ("kind",)) == answered(village.original, ("kind",))


def test_a_draft_is_not_loaded_until_its_questions_are_answered(
    village: Loaded, tmp_path: Path
) -> None:
    text = draft(village.folder).text
    for old, new in CORRECTIONS[2:-1]:
        text = text.replace(f"\n{old}", f"\n{new}")
    path = tmp_path / "mapping.toml"
    path.write_text(text, "utf-8")
    line = 1 + next(
        i
        for i, line in enumerate(text.splitlines())
        if line.startswith('weather = "?"')
    )
    with pytest.raises(NotUnderstood, match=rf"line {line}: reading\.weather is still"):
        read_mapping(path)


def test_a_wrong_answer_is_told_with_their_lines_and_their_values(
    village: Loaded, tmp_path: Path
) -> None:
    text = village.mapping.read_text("utf-8")
    path = tmp_path / "mapping.toml"
    path.write_text(text.replace('"day-first"', '"month-first"'), "utf-8")
    package = MappedPackage.through(village.folder, read_mapping(path))
    store = open_store(f"sqlite:///{tmp_path}/wrong.db", create=True)
    outcome = load(store, package, now=package.created, said_by="a test", strict=True)
    assert outcome.refused
    mine = [r for r in outcome.rejects if r.column == "received_at"]
    with (village.folder / NAMES["reports"][0]).open(encoding="latin-1") as file:
        lines = list(csv.DictReader(file, delimiter=";"))
    assert len(mine) > 100
    for reject in mine:
        assert reject.value == lines[reject.row - 2]["Eingang"]
        assert reject.key == lines[reject.row - 2]["Meldungs-Nr."]
        if "impossible" in reject.reason:
            assert int(reject.value.split(".")[0]) > 12
            assert "(column 'Eingang' in the file)" in reject.reason
