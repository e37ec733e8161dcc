"""What follows from a noun is worked out once, and kept with it.

A noun is a frozen dataclass: what was known on a day, the register of it, the lives in
it. It never changes, nor does what follows from it. Whoever asks gets the same object,
and leaves it as it is. A noun whose ``kept`` is a :class:`Folder` looks
there before it works out what is marked as worth keeping.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property, partial, wraps
from hashlib import blake2b
from typing import Any, Concatenate, ParamSpec, TypeVar

P = ParamSpec("P")
N = TypeVar("N")
T = TypeVar("T")
Derived = Callable[Concatenate[N, P], T]

MISSING: Any = object()
"""Nothing is kept under a name."""


def once(derive: Derived[N, P, T]) -> Derived[N, P, T]:
    """Let a function of a noun keep its answer with the noun."""

    @wraps(derive)
    def asked(noun: N, /, *args: P.args, **kwargs: P.kwargs) -> T:
        answers: dict[Any, T] = vars(noun).setdefault("_derived", {})
        question = (derive, args, tuple(sorted(kwargs.items())))
        if question not in answers:
            answers[question] = derive(noun, *args, **kwargs)
        return answers[question]

    return asked


def given(derive: Derived[N, P, T], noun: N, answer: T) -> None:
    """Say what a function marked :func:`once` answers of a noun, asked nothing else."""
    first: Any = derive
    vars(noun).setdefault("_derived", {})[first.__wrapped__, (), ()] = answer


def keeping(derive: Derived[N, P, T]) -> Derived[N, P, T]:
    """Let a function of a noun keep its answer for other processes, too."""
    name = f"{derive.__module__}.{derive.__qualname__}"

    @once
    @wraps(derive)
    def asked(noun: N, /, *args: P.args, **kwargs: P.kwargs) -> T:
        called = [*args, *sorted(kwargs.items())]
        told = f"-{blake2b(repr(called).encode(), digest_size=6).hexdigest()}"
        answer = partial(derive, noun, *args, **kwargs)
        return _found(noun, name + told * bool(called), answer)

    return asked


class derived(cached_property[T]):  # noqa: N801 - used as a decorator, as its base is
    """A cached property that is kept for other processes, too."""

    def __get__(self, noun: Any, owner: type[Any] | None = None) -> Any:
        """Return what is kept, or work it out."""
        if noun is None:
            return self
        at = vars(noun)
        if self.attrname not in at:
            name = f"{self.func.__module__}.{self.func.__qualname__}"
            at[self.attrname] = _found(noun, name, partial(self.func, noun))
        return at[self.attrname]


def _found(noun: Any, name: str, derive: Callable[[], T]) -> T:
    """Return what a noun's folder keeps under a name; else derive it and note that."""
    folder = getattr(noun, "kept", None)
    if folder is None:
        return derive()
    value = folder.find(name, noun)
    if value is MISSING:
        value = derive()
        folder.note(name, value, noun)
    kept: T = value
    return kept
