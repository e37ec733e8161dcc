"""Files that people write: a document, its keys, its months."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from lightwatch.errors import NotUnderstood


def read_file(path: Path) -> dict[str, Any]:
    """Return a TOML or JSON file as a document.

    Raises
    ------
    NotUnderstood
        It cannot be read.
    """
    try:
        text = path.read_text("utf-8")
        loaded = json.loads(text) if path.suffix == ".json" else tomllib.loads(text)
    except OSError as error:
        raise NotUnderstood(f"{path} cannot be read ({error.strerror})") from None
    except (ValueError, RecursionError) as error:
        raise NotUnderstood(f"{path} is no TOML or JSON ({error})") from None
    if not isinstance(loaded, dict):
        raise NotUnderstood(f"{path}: expected a table of settings")
    return loaded


def check_keys(given: Mapping[str, Any], known: Iterable[str], where: str) -> None:
    """Refuse a key that is not known, naming those that are.

    Raises
    ------
    NotUnderstood
        There is such a key.
    """
    names = tuple(known)
    for key in given:
        if key not in names:
            raise NotUnderstood(
                f"{where}: {key!r} is not known (expected {', '.join(names)})"
            )


def read_month(text: Any, where: str) -> int:
    """Return a month written YYYY-MM, counted from January 1970.

    Raises
    ------
    NotUnderstood
        It is not written so.
    """
    found = re.fullmatch(r"(\d{4})-(\d{2})", str(text))
    if not found or not 1 <= int(found[2]) <= 12:
        raise NotUnderstood(f"{where}: {text!r} is no month (expected YYYY-MM)")
    return (int(found[1]) - 1970) * 12 + int(found[2]) - 1
