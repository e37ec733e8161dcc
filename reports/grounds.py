"""What an answer stands on, for people and as fields of a JSON document."""

from __future__ import annotations

from textwrap import fill
from typing import Any

from lightwatch.decisions.grounds import Grounds

_WIDTH = 88


def not_known(grounds: Grounds) -> str:
    """Return the sentence for an answer that cannot be given; '' where it can."""
    return f"Not known, because {grounds.not_known}." if grounds.not_known else ""


def grounds_lines(grounds: Grounds) -> list[str]:
    """Return what it stands on and what is missing, a line each."""
    return [f"Stands on: {grounds.stands_on}.", *grounds.missing]


def grounds_text(grounds: Grounds) -> str:
    """Return what it stands on and what is missing, wrapped for a screen."""
    return "\n".join(fill(line, _WIDTH) for line in grounds_lines(grounds))


def with_grounds(text: str, grounds: Grounds, *, keep: bool = False) -> str:
    """Return an answer and what it stands on; why there is none where there is none.

    Parameters
    ----------
    text
        The answer.
    grounds
        What it stands on.
    keep
        Whether what is known of it is said even where the answer is not known.
    """
    reason = fill(not_known(grounds), _WIDTH)
    parts = [reason, text if keep or not reason else "", grounds_text(grounds)]
    return "\n\n".join(part for part in parts if part)


def method_on(method: str, grounds: Grounds) -> str:
    """Return a method with what it stands on, in a paragraph."""
    lines = [not_known(grounds), method, *grounds_lines(grounds)]
    return " ".join(line for line in lines if line)


_NO_FIGURES = ("as_of", "confidence", "method")


def _emptied(value: Any) -> Any:
    """Return a figure as it is where it is not known."""
    if isinstance(value, dict):
        return {name: _emptied(one) for name, one in value.items()}
    return [] if isinstance(value, list) else None


def document_on(document: dict[str, Any], grounds: Grounds) -> dict[str, Any]:
    """Return a document with what it stands on; where that is nothing, no figures."""
    if grounds.not_known:
        document = {
            name: one if name in _NO_FIGURES else _emptied(one)
            for name, one in document.items()
        }
    return {**document, **grounds_document(grounds)}


def grounds_document(grounds: Grounds) -> dict[str, Any]:
    """Return the fields that every document has beside its own."""
    return {
        "stands_on": grounds.stands_on,
        "missing": list(grounds.missing),
        "not_known": grounds.not_known or None,
    }
