"""The little town as somebody else's folder: plain files and a mapping beside them."""

from __future__ import annotations

from pathlib import Path

from lightwatch.observations.intake import load
from lightwatch.observations.mapped import MappedPackage
from lightwatch.observations.mapping import read_mapping
from lightwatch.observations.outcome import Outcome
from lightwatch.store import Store
from tests.towns import CREATED, NOW, TABLES, new_store

PLACE = f"""\
[place]
name = "town"
timezone = "Europe/Vienna"
opened_on = "2016-01-01"
created = "{CREATED}"
"""
NEEDED = ("lights", "components", "models", "circuits", "sections", "repairs")


def mapped_town(
    folder: Path, files: dict[str, str | bytes] | None = None, **tables: str
) -> tuple[Path, Path]:
    """Write the town's files and a mapping; return the folder and the mapping.

    Parameters
    ----------
    folder
        Where to; it is made.
    files
        Further files, by name.
    tables
        The part of the mapping that is said of a file of ours, instead of its name.
    """
    folder.mkdir()
    for name in NEEDED:
        (folder / f"{name}.csv").write_text(TABLES[name], "utf-8")
    for name, text in (files or {}).items():
        data = text if isinstance(text, bytes) else text.encode()
        (folder / name).write_bytes(data)
    said = {name: f'file = "{name}.csv"' for name in NEEDED} | tables
    reading = said.pop("reading", "")
    parts = [PLACE, f"[reading]\n{reading}"]
    parts += [text if text.startswith("[") else f"[{name}]\n{text}"
              for name, text in said.items()]  # fmt: skip
    mapping = folder.parent / f"{folder.name}.toml"
    mapping.write_text("\n".join(parts) + "\n", "utf-8")
    return folder, mapping


def take_in_mapped(folder: Path, mapping: Path) -> tuple[Store, Outcome]:
    """Load a mapped folder into a new store."""
    package = MappedPackage.through(folder, read_mapping(mapping))
    store = new_store(folder.parent)
    return store, load(store, package, now=max(NOW, package.created), said_by="a test")
