"""The store: the only room that knows the database."""

from lightwatch.store.store import Change, Load, Row, Store, Writer, open_store
from lightwatch.store.trouble import Taken

__all__ = ["Change", "Load", "Row", "Store", "Taken", "Writer", "open_store"]
