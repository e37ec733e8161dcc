"""What the README prints: ``python -m tests.readme`` writes it anew.

Each ``console`` block holds commands after ``$`` and what they print. A block is run
in a folder where the demo city was just built and a stranger's three files were loaded;
a line ``...`` stands for any lines.
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.planner import answers_of
from tests.strangers import WRITERS
from tests.walks import answered

README = Path(__file__).parents[1] / "README.md"
_BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_SHOWN = 12


def run(command: str, folder: Path) -> str:
    """Run one of our commands and return what it printed."""
    words = shlex.split(command)
    assert words[0] == "lightwatch", command
    result = subprocess.run(
        [sys.executable, "-m", "lightwatch.cli", *words[1:]],
        cwd=folder,
        capture_output=True,
        text=True,
    )
    assert result.returncode == 0, result.stderr
    return result.stdout


def own_files(folder: Path) -> None:
    """Bring the files of three systems, a mapping that is answered, and their store."""
    (folder / "our_files").mkdir()
    WRITERS["three_systems"](folder / "our_files")
    run("lightwatch map-columns our_files --out mapping.toml", folder)
    mapping = folder / "mapping.toml"
    text, _ = answered(mapping.read_text("utf-8"), answers_of("three_systems"))
    mapping.write_text(text, "utf-8")
    run(
        "lightwatch load our_files --mapping mapping.toml --db sqlite:///ours.db",
        folder,
    )


def examples(text: str) -> list[tuple[str, str]]:
    """Return (command, what it should print) of every example."""
    found = []
    for block in _BLOCK.findall(text):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, printed = part.partition("\n")
            found.append((command, printed))
    return found


def agrees(expected: str, printed: str) -> bool:
    """Tell whether a print is as expected, ``...`` standing for any lines."""
    parts = [re.escape(part) for part in re.split(r"^\.\.\.\n", expected, flags=re.M)]
    return re.fullmatch("(?:.*\n)*?".join(parts), printed) is not None


def _shortened(printed: str) -> str:
    lines = printed.splitlines(keepends=True)
    return printed if len(lines) <= _SHOWN + 4 else "".join(lines[:_SHOWN]) + "...\n"


def main() -> None:
    """Write the README's prints anew."""
    text = README.read_text("utf-8")
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        run("lightwatch demo", folder)
        own_files(folder)
        for command, expected in examples(text):
            new = _shortened(run(command, folder))
            text = text.replace(f"$ {command}\n{expected}", f"$ {command}\n{new}", 1)
    README.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
