"""Why one record by a person is refused, each value named."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from lightwatch.errors import Conflict, NotUnderstood, UnknownAsset
from lightwatch.limits import FIELD_CHARS
from lightwatch.observations.rules import Problem

_NO_TEXT = re.compile("[\0\ud800-\udfff]")


class BrokenRule(NotUnderstood):
    """Values that break the rules of intake, each named."""

    def __init__(self, found: Sequence[Problem]) -> None:
        super().__init__("; ".join(problem.reason for problem in found))
        self.problems = tuple(found)


class NotOnRecord(UnknownAsset):
    """A column that names something that is not on record."""

    def __init__(self, column: str, value: str, reason: str) -> None:
        super().__init__(reason)
        self.problems = (Problem(0, column, value, str(self)),)


class OtherRecord(Conflict):
    """Another record stands where this one would go."""

    def __init__(self, column: str, value: str, reason: str, key: str) -> None:
        super().__init__(reason)
        self.problems = (Problem(0, column, value, reason),)
        self.key = key
        """The record that stands there."""


def check_texts(values: Mapping[str, str]) -> None:
    """Refuse values that are too long, or no text, before anything is done."""
    found = []
    for name, text in values.items():
        if len(name) > FIELD_CHARS or len(text) > FIELD_CHARS:
            reason = f"is {len(text):,} characters long (at most {FIELD_CHARS:,})"
            found.append(Problem(0, name[:80], text[:80], f"{name[:80]} {reason}"))
        elif _NO_TEXT.search(name + text):
            reason = "holds a sign that is no text (a NUL, or half of a character)"
            found.append(Problem(0, name, text[:80], f"{name} {reason}"))
    if found:
        raise BrokenRule(found)
