"""The house keeps its own rules: rooms, words, docs, types and form."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CODE = sorted(
    path
    for room in ("lightwatch", "api", "reports", "demo_city")
    for path in (ROOT / room).rglob("*.py")
)


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True
    )


def test_rooms_import_only_rooms_below_them() -> None:
    code = "from importlinter.cli import lint_imports_command as c; c()"
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True
    )
    assert result.returncode == 0, result.stdout + result.stderr


def test_code_is_linted_and_formatted() -> None:
    for words in (["ruff", "check", "."], ["ruff", "format", "--check", "."]):
        result = run(*words)
        assert result.returncode == 0, result.stdout + result.stderr


@pytest.mark.slow
def test_types_hold_under_strict_checking() -> None:
    result = run("mypy")
    assert result.returncode == 0, result.stdout + result.stderr


def test_the_top_level_has_its_fixed_shape() -> None:
    made = (".egg-info", ".db", ".db-shm", ".db-wal", ".csv", ".html")
    top = {
        path.name
        for path in ROOT.iterdir()
        if not path.name.startswith(".") and not path.name.endswith(made)
    } - {"demo_package", "build"}
    assert top == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "lightwatch",
        "api",
        "tests",
        "demo_city",
        "reports",
    }


def test_no_module_is_called_by_what_it_is_not() -> None:
    vague = {"utils", "helpers", "manager", "common", "misc"}
    assert not [path for path in CODE if path.stem in vague]


def test_no_page_or_module_names_an_outside_host_to_fetch_from() -> None:
    wanted = re.compile(r"""(?:src|href|url|fetch)\s*[=(]\s*["']?https?://""")
    suffixes = {".py", ".html", ".js", ".css"}
    pages = [p for room in ("lightwatch", "api", "reports") for p in
             (ROOT / room).rglob("*") if p.suffix in suffixes]  # fmt: skip
    assert pages
    assert not [page for page in pages if wanted.search(page.read_text("utf-8"))]


HEAVY = ("numpy", "pandas", "scipy", "sklearn", "geopandas", "folium", "fastapi",
         "sqlalchemy", "pyvrp", "openpyxl", "xlsxwriter")  # fmt: skip


def test_help_answers_without_a_heavy_library() -> None:
    """What keeps ``--help`` fast: none of them is imported for it."""
    words = (
        "import sys, contextlib\n"
        "from lightwatch.cli import app\n"
        "with contextlib.suppress(SystemExit):\n"
        "    app(['--help'])\n"
        "print(sorted(set(sys.modules)), file=sys.stderr)\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", words], capture_output=True, text=True, cwd=ROOT
    )
    assert "Usage" in result.stdout
    loaded = [name for name in HEAVY if f"'{name}'" in result.stderr]
    assert not loaded


def test_every_command_and_setting_is_in_the_readme() -> None:
    from lightwatch.cli import app
    from lightwatch.settings import Settings

    readme = (ROOT / "README.md").read_text("utf-8")
    names = [
        command.name or command.callback.__name__
        for command in app.registered_commands
        if command.callback
    ]
    assert names
    missing = [name for name in names if f"lightwatch {name}" not in readme]
    missing += [
        f"LIGHTWATCH_{name.upper()}"
        for name in Settings.model_fields
        if f"LIGHTWATCH_{name.upper()}" not in readme
    ]
    assert not missing
