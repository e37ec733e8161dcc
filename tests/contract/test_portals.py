"""Files in the shapes of public exports are recognised, and their columns proposed."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from lightwatch.observations.drafting import draft
from lightwatch.words import resources
from tests.portals import PORTALS, Portal, write_portal, write_wide


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


def test_the_key_of_a_wide_file_is_found(tmp_path: Path) -> None:
    write_wide(tmp_path)
    lights = draft(tmp_path).matched["lights"]
    assert lights.columns["light_id"].column.name == "ASSETID"
