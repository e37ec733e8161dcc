"""What follows from a register is worked out once and kept with it."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

from lightwatch.register.register import Register

P = ParamSpec("P")
T = TypeVar("T")
Derived = Callable[Concatenate[Register, P], T]


def once(derive: Derived[P, T]) -> Derived[P, T]:
    """Let a function of a register keep its answer with the register.

    A register is what was known on a day: it never changes, nor does what follows
    from it. Whoever asks gets the same object, and leaves it as it is.
    """

    @wraps(derive)
    def kept(register: Register, /, *args: P.args, **kwargs: P.kwargs) -> T:
        answers: dict[Any, T] = vars(register).setdefault("_derived", {})
        asked = (derive, args, tuple(sorted(kwargs.items())))
        if asked not in answers:
            answers[asked] = derive(register, *args, **kwargs)
        return answers[asked]

    return kept
