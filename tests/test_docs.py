"""The README tells the truth: its commands run and print what it says."""

from __future__ import annotations

import doctest
from pathlib import Path

import pytest

from tests.readme import README, agrees, examples, own_files, run

TEXT = README.read_text("utf-8")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("readme")
    printed = run("lightwatch demo", made)
    assert len(printed.splitlines()) == 4
    own_files(made)
    return made


def test_there_are_examples_to_run() -> None:
    assert len(examples(TEXT)) >= 4


@pytest.mark.parametrize("command", [command for command, _ in examples(TEXT)])
def test_an_example_prints_what_the_readme_says(command: str, folder: Path) -> None:
    expected = dict(examples(TEXT))[command]
    assert expected.strip(), "run python -m tests.readme"
    printed = run(command, folder)
    assert agrees(expected, printed), printed


def test_what_the_readme_does_in_python_gives_what_it_says(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    ran = doctest.testfile(str(README), module_relative=False, encoding="utf-8")
    assert ran.attempted > 5
    assert not ran.failed


def test_a_print_that_differs_is_noticed() -> None:
    assert agrees("a\n...\nc\n", "a\nb\nb\nc\n")
    assert not agrees("a\n...\nc\n", "a\nb\nd\n")
    assert not agrees("a\n", "a\nb\n")


def test_the_job_comes_first_in_one_paragraph() -> None:
    title, paragraph = TEXT.split("\n\n")[:2]
    assert title == "# Lightwatch"
    assert "technician" in paragraph
    assert "planner" in paragraph


def test_the_picture_is_there() -> None:
    start = TEXT.index("](lightwatch/mapview/") + 2
    picture = README.parent / TEXT[start : TEXT.index(")", start)]
    assert picture.stat().st_size > 10_000
