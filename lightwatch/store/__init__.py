"""The store: the only room that knows the database."""

from lightwatch.store.opening import open_store
from lightwatch.store.store import Change, Load, Row, Store, Writer
from lightwatch.store.trouble import Taken

__all__ = ["Change", "Load", "Row", "Store", "Taken", "Writer", "open_store"]
