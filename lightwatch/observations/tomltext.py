"""Text as it is written in a mapping: quoted, and in comments."""

from __future__ import annotations

import json
import re


def quoted(text: str) -> str:
    """Write a TOML basic string; JSON's is one, but for a DEL that it leaves bare."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def key(text: str) -> str:
    """Write a TOML key: bare where it may be."""
    return text if re.fullmatch(r"[A-Za-z0-9_-]+", text, re.ASCII) else quoted(text)


def comment(text: str) -> str:
    """Write a text so that it stays on its line."""
    return "".join(one if one.isprintable() else " " for one in text)
