"""What follows from a register, or its lives, is worked out once and kept there."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

P = ParamSpec("P")
N = TypeVar("N")
T = TypeVar("T")
Derived = Callable[Concatenate[N, P], T]


def once(derive: Derived[N, P, T]) -> Derived[N, P, T]:
    """Let a function of a noun keep its answer with the noun.

    A register is what was known on a day: it never changes, nor do its lives, nor does
    what follows from them. Whoever asks gets the same object, and leaves it as it is.
    """

    @wraps(derive)
    def kept(noun: N, /, *args: P.args, **kwargs: P.kwargs) -> T:
        answers: dict[Any, T] = vars(noun).setdefault("_derived", {})
        asked = (derive, args, tuple(sorted(kwargs.items())))
        if asked not in answers:
            answers[asked] = derive(noun, *args, **kwargs)
        return answers[asked]

    return kept
