"""Lights whose circuit on record is in doubt, one line a light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from textwrap import fill
from typing import Any

from lightwatch.decisions.triage.misdrawn import Misdrawn
from lightwatch.decisions.triage.spoken import NBSP, per_cent

_WIDTH = 88

CHECK = (
    "Check each on site, at the pole, before the drawing is put right. Until then hold "
    "it for fed by either circuit: to isolate the one on record does not make it dead."
)
"""What to do about a light whose circuit is in doubt."""


def many_said(wrong: Sequence[Misdrawn]) -> str:
    """Say how many there are."""
    if len(wrong) == 1:
        return "1 light is probably on another circuit than is on record"
    return f"{len(wrong):,} lights are probably on another circuit than is on record"


def doubts_text(wrong: Sequence[Misdrawn]) -> str:
    """Return the lights, the surest first, under what to do; '' where there is none."""
    if not wrong:
        return ""
    head = fill(f"{many_said(wrong)}. {CHECK}", _WIDTH)
    lines = [f"{one} ({per_cent(one.probability)})" for one in wrong]
    return "\n".join([head, *lines]).replace(NBSP, " ")


def doubts_document(wrong: Sequence[Misdrawn]) -> dict[str, Any]:
    """Return them for a JSON document: ``circuits_in_doubt``."""
    return {"circuits_in_doubt": [asdict(one) for one in wrong]}
