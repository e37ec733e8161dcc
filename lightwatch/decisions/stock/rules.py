"""Which model replaces which, where someone decided, from a file.

::

    [photocontrol."*"]            # whatever comes off
    KV-12L = 0.7
    KV-9E = 0.3

    [lamp.M150]                   # where this one comes off
    M150 = 1

TOML or JSON; shares are brought to sum to one.
"""

from __future__ import annotations

from pathlib import Path

from lightwatch.decisions.files import read_file
from lightwatch.decisions.stock.forecast import Rules
from lightwatch.errors import NotUnderstood


def read_rules(path: Path) -> Rules:
    """Return the rules of a file: by kind, by model taken off, shares by model fitted.

    Raises
    ------
    NotUnderstood
        It cannot be read, or a share is no number above zero.
    """
    made: dict[str, dict[str, dict[str, float]]] = {}
    for kind, by_model in read_file(path).items():
        if not isinstance(by_model, dict):
            raise NotUnderstood(f"{path}: {kind} must be a table of models taken off")
        for removed, shares in by_model.items():
            where = f"{path}: {kind}.{removed}"
            if not isinstance(shares, dict) or not shares:
                raise NotUnderstood(f"{where} must be a table of models fitted")
            for name, share in shares.items():
                number = isinstance(share, int | float) and not isinstance(share, bool)
                if not number or share < 0:
                    raise NotUnderstood(f"{where}: {name} = {share!r} is no share")
            total = sum(shares.values())
            if total <= 0:
                raise NotUnderstood(f"{where}: the shares are all zero")
            made.setdefault(kind, {})[removed] = {
                name: share / total for name, share in shares.items()
            }
    return made
