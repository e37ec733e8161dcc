"""Migrations: how a store made by an older version is brought up to date.

Each file in ``versions`` is one step, named by its number. A store says which it has
had; what is missing runs in one transaction, so an upgrade happens whole or not at all.
"""

from __future__ import annotations

import logging
import re
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from lightwatch.errors import Conflict
from lightwatch.store.engine import shown

HEAD = "0005"
"""The newest step; a test holds it to what is in ``versions``."""

VERSIONS = Path(__file__).parent


def _version(connection: Connection) -> str | None:
    names = inspect(connection).get_table_names()
    steps: list[str] = []
    if "alembic_version" in names:
        found = connection.execute(text("SELECT version_num FROM alembic_version"))
        steps = [str(step) for step in found.scalars()]
    if names and not (len(steps) == 1 and re.fullmatch(r"\d{4}", steps[0])):
        raise Conflict(
            f"{shown(connection.engine.url)} holds other tables "
            f"({', '.join(names[:3])}) and is no store of ours"
        )
    return steps[0] if steps else None


def is_empty(engine: Engine) -> bool:
    """Tell whether nothing has been made in the database yet."""
    with engine.connect().execution_options(reads=True) as connection:
        return _version(connection) is None


def upgrade(connection: Connection, to: str = "head") -> None:
    """Run the missing steps on an open transaction."""
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    logging.getLogger("alembic").setLevel(logging.WARNING)
    scripts = ScriptDirectory(str(VERSIONS))
    with EnvironmentContext(
        Config(), scripts, fn=lambda have, _: scripts._upgrade_revs(to, have)
    ) as environment:
        environment.configure(connection=connection)
        environment.run_migrations()


def bring_up_to_date(engine: Engine) -> None:
    """Run the steps that a store has not had yet, all or none.

    Raises
    ------
    Conflict
        The store was written by a newer version, or is no store of ours.
    """
    with engine.connect().execution_options(reads=True) as connection:
        version = _version(connection)
    if version == HEAD:
        return
    if version is not None and version > HEAD:
        raise Conflict(
            f"{shown(engine.url)} was written by a newer Lightwatch "
            f"(its tables are at step {version}, this version knows {HEAD}); "
            "use that version"
        )
    with engine.begin() as connection:
        upgrade(connection)
