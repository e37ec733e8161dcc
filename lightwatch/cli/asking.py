"""What the verbs share: the application, their common options, store and clock."""

from __future__ import annotations

import getpass
import json
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lightwatch.errors import LightwatchError

if TYPE_CHECKING:
    from lightwatch.observations.known import Known
    from lightwatch.register import Register
    from lightwatch.store import Store

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Street-light records in; lives, rates and feed faults out.",
)

at_the_end: list[Callable[[], None]] = []
"""What is still to be done once a command has answered."""

Db = Annotated[
    str | None,
    typer.Option("--db", metavar="URL", help="the store, as a database URL"),
]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of", metavar="T", help="a time, or a date: 00:00 local of that day"
    ),
]
Json = Annotated[
    bool, typer.Option("--json", help="print one JSON document and nothing else")
]


_opened: list[Store] = []


def address(db: str | None) -> str:
    """Return the database URL asked for, or that of the settings."""
    from lightwatch.settings import Settings

    return db or Settings().database_url


def register_of(known: Known) -> Register:
    """Return the register, with what the settings say of it."""
    from lightwatch.register import Register
    from lightwatch.settings import Settings

    return Register(known, Settings().near_m)


def open_at(db: str | None, *, create: bool = False) -> Store:
    """Open the store at an address."""
    from lightwatch.store import open_store

    store = open_store(address(db), create=create)
    _opened.append(store)
    return store


def keep_answers() -> None:
    """Keep what the command worked out for the next; where that fails, it is lost."""
    while at_the_end:
        with suppress(LightwatchError):
            at_the_end.pop()()


def close_stores() -> None:
    """Let go of every store that the command opened."""
    at_the_end.clear()
    while _opened:
        _opened.pop().close()


def known_at(db: str | None, as_of: str | None) -> Known:
    """Return what was known at a time; by default now. It is being read already."""
    from lightwatch.errors import NotUnderstood
    from lightwatch.observations import known
    from lightwatch.settings import Settings

    store = open_at(db)
    try:
        found = known.known_at(store, as_of, Settings().near_m)
    except NotUnderstood as error:
        raise typer.BadParameter(f"{as_of!r} {error}", param_hint="--as-of") from None
    if found.kept:
        at_the_end.append(found.kept.write)
    return found.ahead()


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON document and nothing else."""
    json.dump(document, sys.stdout, ensure_ascii=False, indent=1, allow_nan=False)
    sys.stdout.write("\n")


def now() -> int:
    """Return the time [instant]."""
    return time.time_ns() // 1000


def whoever() -> str:
    """Return who runs the command."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def write(out: Path, text: str) -> None:
    """Write a page; say in a line why it cannot be."""
    try:
        out.write_text(text, "utf-8")
    except OSError as error:
        raise LightwatchError(f"{out} cannot be written ({error.strerror})") from None
    print(f"written to {out}", file=sys.stderr)


def check_writable(path: Path) -> None:
    """Refuse a file that cannot be written before anything is done."""
    try:
        path.open("a").close()
    except OSError as error:
        raise LightwatchError(f"{path} cannot be written ({error.strerror})") from None
