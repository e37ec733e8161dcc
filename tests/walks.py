"""A person who only reads messages, from a folder of files to a map: scripted, counted.

The planner drafts a mapping, answers its questions, corrects what is wrong in it, and
loads. Every line changed is an edit and every command a step; both are counted.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from lightwatch.cli import app
from lightwatch.errors import LightwatchError

Answers = Mapping[tuple[str, str], str | None]


def answered(draft: str, answers: Answers) -> tuple[str, int]:
    """Return a draft with answers put in, and how many of its lines had to change.

    ``answers``: (table, key) to the value as TOML; None: strike the line out. A table
    or key that the draft lacks is added.
    """
    lines, edits = draft.splitlines(), 0
    for (table, key), value in answers.items():
        at = next((i for i, line in enumerate(lines) if line == f"[{table}]" or (
            line.startswith(f"[{table}] "))), None)  # fmt: skip
        if at is None:
            if value is not None:
                lines += ["", f"[{table}]", f"{key} = {value}"]
                edits += 1
            continue
        end = next(
            (i for i in range(at + 1, len(lines)) if lines[i].startswith("[")),
            len(lines),
        )
        pattern = re.compile(rf"{re.escape(key)}\s*=\s*(.*?)(\s+#.*)?$")
        old = next((i for i in range(at, end) if pattern.match(lines[i])), None)
        if old is None:
            if value is not None:
                lines.insert(at + 1, f"{key} = {value}")
                edits += 1
        elif value is None:
            del lines[old]
            edits += 1
        elif (was := pattern.match(lines[old])) and was[1] != value:
            lines[old] = f"{key} = {value}"
            edits += 1
    return "\n".join(lines) + "\n", edits


@dataclass
class Walk:
    """What a planner did and saw."""

    folder: Path
    edits: int = 0
    commands: list[str] = field(default_factory=list)

    @property
    def steps(self) -> int:
        """Edits and commands together."""
        return self.edits + len(self.commands)

    def run(self, *words: str, fails: bool = False) -> str:
        """Run a command in the folder's parent; a traceback fails the test."""
        before = Path.cwd()
        os.chdir(self.folder.parent)
        try:
            told = CliRunner().invoke(app, list(words))
        finally:
            os.chdir(before)
        self.commands.append(" ".join(words))
        error = told.exception
        said = f"{' '.join(words)}\n{told.output}\n{error!r}"
        if error is not None and not isinstance(error, (LightwatchError, SystemExit)):
            raise error
        assert "Traceback" not in told.output, said
        assert (told.exit_code != 0) == fails, said
        return told.stdout + (str(error) if error else "")

    def asked(self, *words: str) -> dict[str, Any]:
        """Run a command with --json."""
        document: dict[str, Any] = json.loads(self.run(*words, "--json"))
        return document

    def draft_and_answer(self, answers: Answers, mapping: str = "mapping.toml") -> str:
        """Draft a mapping and answer it; return what it then says."""
        self.run("map-columns", self.folder.name, "--out", mapping)
        path = self.folder.parent / mapping
        text, edits = answered(path.read_text("utf-8"), answers)
        path.write_text(text, "utf-8")
        self.edits += edits
        return text
