"""How alike a name or a code of theirs is to one of ours.

The words by which the trade calls things in English, German, French and Spanish are in
``words/vocabulary.json``; what is not in it is compared letter by letter.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Collection
from difflib import SequenceMatcher
from functools import cache
from importlib.resources import files

_SAME = {
    "num": "no", "nbr": "no", "nmbr": "no", "number": "no", "nr": "no",
    "dt": "date", "datetime": "date", "dttm": "date", "identifier": "id", "ident": "id",
    "ty": "type", "typ": "type", "wattage": "watts", "watt": "watts", "dat": "date",
    "tags": "tag", "st": "street", "str": "street",
}  # fmt: skip
"""Words that offices write in more than one way."""

_NOISE = {"desc", "descr", "text", "txt", "lbl", "cd", "fk", "pk", "the", "of", "fld"}
_EDITED = {"edit", "edited", "editor", "modified", "updated", "update", "modify"}
"""Words of columns that say when a row was typed, not what it tells of."""

_GERMAN = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})
_CAMEL = re.compile(r"(?<=[a-zà-ÿ])(?=[A-Z])")

SURE = 0.9
"""Likeness from which a match is called sure."""


@cache
def vocabulary(part: str) -> dict[str, tuple[str, ...]]:
    """Return the words of ``files``, ``columns`` or ``codes``, by our name."""
    text = files("lightwatch.words").joinpath("vocabulary.json").read_text("utf-8")
    loaded: dict[str, str] = json.loads(text)[part]
    between = " " if part == "files" else "|"
    return {name: tuple(words.split(between)) for name, words in loaded.items()}


@cache
def tokens(text: str) -> tuple[str, ...]:
    """Cut a name into plain words.

    Examples
    --------
    >>> tokens("LeuchtenNr."), tokens("Länge [ft]")
    (('leuchten', 'nr'), ('laenge', 'ft'))
    """
    plain = _CAMEL.sub(" ", unicodedata.normalize("NFC", text)).lower()
    plain = unicodedata.normalize("NFKD", plain.translate(_GERMAN))
    plain = "".join(one for one in plain if not unicodedata.combining(one))
    return tuple(re.findall(r"[a-z]+|\d+", plain))


@cache
def _known_words() -> frozenset[str]:
    """Return the words from which the trade's column names are made."""
    phrases = (one for words in vocabulary("columns").values() for one in words)
    words = {word for phrase in phrases for word in tokens(phrase) if len(word) > 2}
    return frozenset(words | _SAME.keys() | _NOISE | {"id", "no"})


@cache
def _cut(word: str) -> tuple[str, ...]:
    """Cut a word that is written together into known words; () if it is not of them."""
    if not word:
        return ()
    known = _known_words()
    if word in known:
        return (word,)
    for end in range(len(word) - 2, 2, -1):
        if word[:end] in known:
            rest = _cut(word[end:])
            if rest:
                return (word[:end], *rest)
    return ()


@cache
def words_of(name: str) -> tuple[str, ...]:
    """Cut a column's name into words as the trade writes them, without mere additions.

    Examples
    --------
    >>> words_of("LAMPWATT"), words_of("SERVICEREQUESTID"), words_of("LIGHTTYPE_DESC")
    (('lamp', 'watts'), ('service', 'request', 'id'), ('light', 'type'))
    """
    found = [part for word in tokens(name) for part in (_cut(word) or (word,))]
    same = [_SAME.get(word, word) for word in found]
    return tuple(word for word in same if word not in _NOISE) or tuple(same)


@cache
def _alike(theirs: str, phrase: str) -> float:
    return _likeness(tokens(theirs), tokens(phrase))


@cache
def _alike_names(theirs: str, phrase: str) -> float:
    plain = _alike(theirs, phrase)
    return max(plain, _likeness(words_of(theirs), words_of(phrase)))


def _likeness(one: tuple[str, ...], two: tuple[str, ...]) -> float:
    if not one or not two:
        return 0.0
    first, second = "".join(one), "".join(two)
    if first == second or set(one) == set(two):
        return 1.0
    if len(second) > 2 and set(two) <= set(one):
        return 0.75 + 0.15 * len(second) / len(first)
    if len(second) >= 5 and first.startswith(second):
        return 0.65 + 0.2 * len(second) / len(first)
    short = min(len(first), len(second))
    if short < 5 or 2 * short < 0.7 * (len(first) + len(second)):
        return 0.0
    one_has, two_has = _letters(first), _letters(second)
    most = min(
        len(first) - len(one_has - two_has), len(second) - len(two_has - one_has)
    )
    if 2 * most < 0.7 * (len(first) + len(second)):
        return 0.0
    matcher = _matcher(second)
    matcher.set_seq1(first)
    if matcher.quick_ratio() < 0.7:
        return 0.0
    ratio = matcher.ratio()
    return 0.85 * ratio if ratio > 0.7 else 0.0


@cache
def _letters(text: str) -> frozenset[str]:
    return frozenset(text)


@cache
def _matcher(phrase: str) -> SequenceMatcher[str]:
    """Return what compares texts with a phrase; it counts the phrase's letters once."""
    return SequenceMatcher(None, "", phrase)


@cache
def column_likeness(theirs: str, ours: str) -> float:
    """Say how alike a column's name of theirs is to a column of ours, 0 to 1."""
    if tokens(theirs) == tokens(ours):
        return 1.0
    words = vocabulary("columns").get(ours, (ours,))
    found = max(_alike_names(theirs, word) for word in words)
    further = {"2", "3", "4", "second", "other"} & {*words_of(theirs)}
    edited = _EDITED & {*words_of(theirs)}
    return found * (0.4 if edited else 0.85 if further else 1.0)


@cache
def file_likeness(theirs: str, ours: str) -> float:
    """Say how alike a file's or a sheet's name is to a file of ours, 0 to 1."""
    return max(_alike(theirs, word) for word in (ours, *vocabulary("files")[ours]))


def code_for(theirs: str, allowed: Collection[str]) -> tuple[str, float]:
    """Return the code of ours that one of theirs is most alike, and how alike."""
    return _code_for(theirs, frozenset(allowed))


@cache
def _code_for(theirs: str, allowed: frozenset[str]) -> tuple[str, float]:
    if theirs in allowed:
        return theirs, 1.0
    if not tokens(theirs) or "".join(tokens(theirs)) in ("na", "ka", "null"):
        return "", SURE
    best, likeness = "", -1.0
    for code in sorted(allowed):
        words = (code, *vocabulary("codes").get(code, ()))
        found = max(_alike(theirs, word) for word in words)
        if found > likeness:
            best, likeness = code, found
    return best, likeness
