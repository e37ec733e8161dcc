"""How reports ended, in the words of a status or result column beside a closed date."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from functools import cache

from lightwatch.observations.likeness import tokens, vocabulary, words_of
from lightwatch.observations.looking import Column
from lightwatch.observations.tomltext import key, quoted

_NAMES = {"status", "state", "result", "resolution", "outcome", "disposition",
          "closure", "stand", "ergebnis", "statut", "etat", "resultat", "estado",
          "resultado"}  # fmt: skip
"""Words in the name of a column that may say how a report ended."""

_FIRST, _TELLING, _PLAIN, _LAST = range(4)
_WEIGHT = {"open": _FIRST, "other": _PLAIN, "begun": _LAST}
"""Which words count first: ``open``, then why it ended, then that it did."""

_BLANK = ("open", "begun")
"""Words of reports that are not over: they close nothing."""

_NOT_SAID = 'how is not said: "other" tells nothing of the light, "" that it was mended'


@cache
def _phrases() -> tuple[tuple[int, str, str], ...]:
    """Return how early each phrase counts, itself and its code, in that order."""
    found = [
        (_WEIGHT.get(kind, _TELLING), " ".join(tokens(phrase)),
         "" if kind in _BLANK else kind)
        for kind, phrases in vocabulary("endings").items()
        for phrase in phrases
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda one: (one[0], -len(one[1]), one[1])))


def ending_in(text: str) -> tuple[str, str] | None:
    """Return the phrase that says how a report ended, and our code; None: none does.

    Mended is only what says so. A report that is open gives a blank.

    Examples
    --------
    >>> ending_in("Closed - lamp replaced"), ending_in("CLOSED"), ending_in("Open")
    (('replaced', 'repaired'), ('closed', 'other'), ('open', ''))
    """
    plain = f" {' '.join(tokens(text))} "
    for _, phrase, code in _phrases():
        if f" {phrase} " in plain:
            return phrase, code
    return None


def says_how_it_ended(columns: Iterable[Column]) -> Column | None:
    """Return the column that tells best how reports ended; None: none does.

    One that says no more than open or closed adds nothing to the date of closing.
    """
    best: tuple[float, int] = (0.0, 0)
    found = None
    for column in columns:
        texts = column.filled
        if not texts or column.days > 0.5 or not _NAMES & {*words_of(column.name)}:
            continue
        codes: Counter[str | None] = Counter()
        for text, rows in texts.items():
            ending = ending_in(text)
            codes[ending[1] if ending else None] += rows
        known = 1 - codes[None] / codes.total()
        why = codes.total() - sum(codes[code] for code in (None, "", "other"))
        if why and known > 0.5 and (why / codes.total(), len(codes)) >= best:
            best, found = (why / codes.total(), len(codes)), column
    return found


def codes_of_endings(texts: Iterable[tuple[str, int]]) -> Iterator[str]:
    """Yield a line of the mapping for each text."""
    for text, rows in texts:
        ending = ending_in(text)
        many = f"{rows:,} row{'' if rows == 1 else 's'}"
        if not ending:
            yield f'{quoted(text)} = ""  # not known, left blank: look at it; {many}'
        else:
            note = _NOT_SAID if ending[1] == "other" else "guess: look at it"
            note = "not over" if not ending[1] else note
            yield f"{quoted(text)} = {quoted(ending[1])}  # {note}; {many}"


def rules_of_endings(texts: Iterable[tuple[str, int]]) -> Iterator[str]:
    """Yield a rule for each phrase in many texts, in the order in which they count."""
    rows: Counter[tuple[str, str]] = Counter()
    unknown = 0
    for text, n in texts:
        ending = ending_in(text)
        if ending:
            rows[ending] += n
        else:
            unknown += n
    yield f'otherwise = ""  # no rule knows {unknown:,} rows'
    yield "[reports.rules.closed_as.has_word]"
    for _, phrase, code in _phrases():
        if n := rows[phrase, code]:
            note = _NOT_SAID if code == "other" else "guess: look at it"
            yield f"{key(phrase)} = {quoted(code)}  # {note}; {n:,} rows"
