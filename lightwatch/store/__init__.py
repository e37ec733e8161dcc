"""The store: the only room that knows the database."""

from lightwatch.store.store import Change, Load, Row, Store, Writer, open_store

__all__ = ["Change", "Load", "Row", "Store", "Writer", "open_store"]
