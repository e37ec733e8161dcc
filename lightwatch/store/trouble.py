"""What trouble of the database means to people; its own words go to the log only."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Engine, exc

from lightwatch.errors import Conflict, LightwatchError, NotUnderstood, Unavailable


class Taken(Conflict):
    """The database refused it for what is on record: another writer was quicker."""


def first_line(error: BaseException, engine: Engine) -> str:
    """Return what a driver said, in one line and without the password."""
    said = str(getattr(error, "orig", None) or error).strip()
    secret = str(engine.url.password or engine.url.query.get("password", ""))
    if secret:
        said = said.replace(secret, "***")
    return said.splitlines()[0] if said else type(error).__name__


def _meaning(engine: Engine, error: Exception, doing: str) -> LightwatchError:
    driver = engine.dialect.loaded_dbapi
    cause = getattr(error, "orig", None) or error
    if isinstance(cause, driver.IntegrityError):
        return Taken("it contradicts what is on record meanwhile; nothing was kept")
    if isinstance(cause, driver.DataError):
        return NotUnderstood("the database cannot keep one of the values")
    return Unavailable(f"the store cannot be {doing} just now; try again")


@contextmanager
def telling(engine: Engine, doing: str) -> Iterator[None]:
    """Turn a driver's errors into ours.

    Parameters
    ----------
    engine
        The database's.
    doing
        What is being done to the store: ``read`` or ``written``.

    Raises
    ------
    Taken
        A key is on record already.
    NotUnderstood
        The database cannot keep a value.
    Unavailable
        All else: it is gone, full, busy or damaged.
    """
    driver = engine.dialect.loaded_dbapi
    try:
        yield
    except (exc.DBAPIError, exc.TimeoutError, driver.Error) as error:
        told = _meaning(engine, error, doing)
        told.driver = first_line(error, engine)
        raise told from error
