"""A store opened at its address, or made there."""

from __future__ import annotations

from sqlalchemy.exc import DBAPIError

from lightwatch.errors import Conflict, UnknownAsset
from lightwatch.store.engine import make_engine, shown
from lightwatch.store.migrations import bring_up_to_date, is_empty
from lightwatch.store.store import Store
from lightwatch.store.trouble import first_line


def open_store(address: str, *, create: bool = False) -> Store:
    """Open the store at a database URL, upgraded to this version's tables.

    Raises
    ------
    NotUnderstood
        The URL names no database that can be used here.
    UnknownAsset
        There is no store there, and none was to be made.
    Conflict
        The store was written by a newer version, or is no store of ours.
    """
    engine = make_engine(address, create=create)
    try:
        if not create and is_empty(engine):
            raise UnknownAsset(f"no store at {shown(engine.url)}")
        bring_up_to_date(engine)
    except DBAPIError as error:
        raise Conflict(
            f"{shown(engine.url)} cannot be opened as a store "
            f"({first_line(error, engine)})"
        ) from None
    return Store(engine)
