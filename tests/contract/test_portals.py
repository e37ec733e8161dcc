"""Files in the shapes of public exports are recognised, and their columns proposed."""

from __future__ import annotations

import csv
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest

from lightwatch.observations.drafting import draft
from lightwatch.words import resources
from tests.portals import PORTALS, Portal, write_portal


@dataclass(frozen=True)
class Proposed:
    """What was drafted for one file, held to what a person would say."""

    portal: Portal
    kinds: tuple[str, ...]
    columns: dict[str, str]

    @property
    def recognised(self) -> bool:
        return self.kinds == (self.portal.kind,)

    def right(self) -> int:
        wanted = self.portal.columns
        return sum(self.columns.get(ours) in theirs for ours, theirs in wanted.items())

    def __str__(self) -> str:
        wrong = {
            ours: self.columns.get(ours)
            for ours, theirs in self.portal.columns.items()
            if self.columns.get(ours) not in theirs
        }
        return (
            f"{self.portal.file}: {', '.join(self.kinds) or 'nothing'}, "
            f"{self.right()} of {len(self.portal.columns)} columns; not: {wrong}"
        )


def tables(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for name in resources():
        given = document.get(name, [])
        for table in given if isinstance(given, list) else [given]:
            yield name, table


def derived(name: str, table: dict[str, Any]) -> bool:
    """Tell whether a table is read out of columns of a file that is of another kind."""
    return name == "components" or bool(table.get("distinct"))


def proposed(portal: Portal, folder: Path) -> Proposed:
    document = tomllib.loads(draft(write_portal(portal, folder)).text)
    mine = [one for one in tables(document) if one[1].get("file") == portal.file]
    kinds = tuple(dict.fromkeys(one[0] for one in mine if not derived(*one)))
    columns: dict[str, str] = {}
    for name, table in mine:
        if name == portal.kind:
            columns |= table.get("columns", {})
    return Proposed(portal, kinds, columns)


@pytest.fixture(scope="module")
def drafts(tmp_path_factory: pytest.TempPathFactory) -> list[Proposed]:
    made = tmp_path_factory.mktemp("portals")
    return [proposed(one, made / str(i)) for i, one in enumerate(PORTALS)]


def test_seven_of_nine_files_are_taken_for_what_they_are(
    drafts: list[Proposed],
) -> None:
    assert len(drafts) == 9
    recognised = [one for one in drafts if one.recognised]
    assert len(recognised) >= 7, "\n".join(map(str, drafts))


def test_four_of_five_columns_that_matter_are_proposed_right(
    drafts: list[Proposed],
) -> None:
    wanted = sum(len(one.portal.columns) for one in drafts)
    right = sum(one.right() for one in drafts)
    assert right >= 0.8 * wanted, "\n".join(map(str, drafts))


def test_none_of_them_is_taken_for_something_else(drafts: list[Proposed]) -> None:
    for one in drafts:
        assert set(one.kinds) <= {one.portal.kind}, str(one)


def test_a_wide_file_is_drafted_in_ten_seconds_of_the_processor(tmp_path: Path) -> None:
    rng = Random(3)
    kinds = [
        lambda i: f"{rng.uniform(5, 12):.3f}",
        lambda i: (
            f"{rng.randint(1, 12)}/{rng.randint(1, 28)}/{rng.randint(1990, 2024)}"
        ),
        lambda i: f"{rng.choice(['lamp', 'pole', 'out', 'near school'])} checked {i}",
        lambda i: f"T{rng.randrange(3000)}",
        lambda i: rng.choice(["N/A", "", "Type 3", "Other"]),
        lambda i: f"{rng.getrandbits(128):032x}",
    ]
    parts = ("POLE", "ARM", "BASE", "FIXTURE", "MAINT", "GIS", "LEGACY", "BRACKET",
             "WARD", "LUMINAIRE")  # fmt: skip
    names = [f"{a}_{b}" for a in parts
             for b in ("HEIGHT", "DATE", "NOTE", "CODE", "TYPE", "UID")]  # fmt: skip
    with (tmp_path / "lights.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["X", "Y", "ASSETID", "LAMPTYPE", "WATTS", *names])
        for i in range(4000):
            place = (f"{-88.4 + i / 4e4:.6f}", f"{40.3 + rng.random() / 10:.6f}")
            lamp = (rng.choice(["HPS", "LED", "N/A"]), rng.choice([70, 100, 150]))
            cells = [kinds[k % len(kinds)](i) for k in range(len(names))]
            writer.writerow([*place, f"SL-{i}", *lamp, *cells])
    begun = time.process_time()
    drafted = draft(tmp_path)
    assert time.process_time() - begun < 10
    assert drafted.matched["lights"].columns["light_id"].column.name == "ASSETID"
