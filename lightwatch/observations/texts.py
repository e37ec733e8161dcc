"""A text of theirs into a value of ours: a part of it, a number trimmed, rules.

Each is a small table of the mapping: ``take`` reads a part out of a cell, ``trim``
takes a prefix off a number or fills it up, ``rules`` give many texts one code.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from lightwatch.errors import NotUnderstood

BLANKS = ("N/A", "#N/A", "NA", "N.A.", "NULL", "<Null>", "(null)", "None", "nan", "-",
          "--", "---", "n/k", "unknown", "not known", "not available", "unk",
          "no data", "tbd")  # fmt: skip
"""Texts that mean that nothing is there, unless they are codes of the column."""

_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?", re.ASCII)


def means_blank(text: str) -> bool:
    """Tell whether a text only says that nothing is there."""
    return not text or text.casefold() in _BLANK


_BLANK = frozenset(text.casefold() for text in BLANKS)


@dataclass(frozen=True)
class Trim:
    """What is taken off a number or put on it, to write it as the register does."""

    off_front: str = ""
    off_end: str = ""
    without_zeros: bool = False
    width: int = 0
    put_before: str = ""

    def __call__(self, text: str) -> str:
        """Trim one number.

        Examples
        --------
        >>> Trim(off_front="SL-", without_zeros=True)("SL-00123")
        '123'
        >>> Trim(width=5, put_before="P")("123")
        'P00123'
        """
        front, end = self.off_front.casefold(), self.off_end.casefold()
        if front and text.casefold().startswith(front):
            text = text[len(front) :]
        if end and text.casefold().endswith(end):
            text = text[: -len(end)]
        text = text.strip()
        if self.without_zeros:
            text = text.lstrip("0") or text[-1:]
        return f"{self.put_before}{text.rjust(self.width, '0')}" if text else ""


@dataclass(frozen=True)
class Rules:
    """Rules that give a text a code: the first that matches, in the order written."""

    rules: tuple[tuple[str, str, str], ...]
    """How (``begins``, ``has_word``, ``contains``), the text sought, our code."""
    otherwise: str | None = None

    def __call__(self, text: str) -> str | None:
        """Return the code of a text; None: no rule matches.

        Examples
        --------
        >>> rules = Rules((("has_word", "led", "led"), ("contains", "sod", "hps")))
        >>> rules("HP Sodium 100W"), rules("286(LED)"), rules("installed")
        ('hps', 'led', None)
        """
        plain = text.casefold()
        for how, sought, code in self.rules:
            if _MATCHES[how](plain, sought.casefold()):
                return code
        return self.otherwise


def _has_word(text: str, word: str) -> bool:
    return bool(re.search(rf"(?<![^\W\d_]){re.escape(word)}(?![^\W\d_])", text))


_MATCHES: dict[str, Callable[[str, str], bool]] = {
    "begins": lambda text, start: text.startswith(start),
    "has_word": _has_word,
    "contains": lambda text, part: part in text,
}
HOW = (*_MATCHES, "otherwise")


def part_of(pattern: str, text: str) -> str:
    """Return the part of a text that is asked for; '' if it is not in it.

    Examples
    --------
    >>> part_of("number", "286(LED)"), part_of("pole ([0-9]+)", "at Pole 44, north")
    ('286', '44')
    """
    if pattern == "number":
        found = _NUMBER.search(text)
        return found[0].replace(",", ".") if found else ""
    match = re.search(pattern, text, re.IGNORECASE)
    return ((match[1] if match.re.groups else match[0]) or "").strip() if match else ""


def read_take(where: str, column: str, given: Any) -> str:
    """Read a line of a ``take`` table: "number", or a pattern with one bracket.

    Raises
    ------
    NotUnderstood
        It is no pattern.
    """
    said = f'{where}: {column} is not understood (expected "number" or a pattern)'
    if not isinstance(given, str) or not given:
        raise NotUnderstood(said)
    try:
        groups = re.compile(given).groups
    except re.error as error:
        raise NotUnderstood(f"{said}: {error}") from None
    if groups > 1:
        raise NotUnderstood(f"{said} with one pair of round brackets, not {groups}")
    return given


def read_trim(where: str, column: str, given: Any) -> Trim:
    """Read a line of a ``trim`` table, such as ``{ off_front = "SL-" }``.

    Raises
    ------
    NotUnderstood
        A setting is not known, or of another kind.
    """
    kinds = {name: type(value) for name, value in vars(Trim()).items()}
    if not isinstance(given, dict) or any(
        kinds.get(name) is not type(value) for name, value in given.items()
    ):
        raise NotUnderstood(
            f"{where}: {column} is not understood (expected off_front or off_end or "
            'put_before = "text", without_zeros = true, width = 5)'
        )
    return Trim(**given)


def read_rules(where: str, given: Any, allowed: frozenset[str] | None) -> Rules:
    """Read the rules of one column.

    Raises
    ------
    NotUnderstood
        A rule is of no kind that is known, or gives no code of ours.
    """
    if not isinstance(given, dict) or not given.keys() <= set(HOW):
        raise NotUnderstood(f"{where} is not understood (expected {', '.join(HOW)})")
    rules: list[tuple[str, str, str]] = []
    for how, listed in given.items():
        if how != "otherwise" and not isinstance(listed, dict):
            raise NotUnderstood(f'{where}: {how} is not a table of "text" = "ours"')
        pairs = [("otherwise", listed)] if how == "otherwise" else listed.items()
        for sought, code in pairs:
            _known_code(f"{where}: {how} {sought!r}", code, allowed)
            if how != "otherwise":
                rules.append((how, sought, code))
    return Rules(tuple(rules), given.get("otherwise"))


def _known_code(where: str, code: Any, allowed: frozenset[str] | None) -> None:
    if not isinstance(code, str) or (allowed and code and code not in allowed):
        expected = ", ".join(sorted(allowed or ())) or "a text"
        raise NotUnderstood(
            f'{where} = {code!r}, which is no code of ours (expected {expected}, or "" '
            "for blank)"
        )


def by_column(read: Any, where: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Read each line of a table of columns."""
    return {column: read(where, column, value) for column, value in given.items()}
