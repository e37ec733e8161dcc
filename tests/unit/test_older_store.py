"""A store of an older schema is brought up to date whole, with all that it holds."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy import inspect, text

from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates import rates
from lightwatch.register import Register
from lightwatch.store import Store, migrations, open_store
from lightwatch.store.engine import make_engine
from tests import databases
from tests.towns import little_town, take_in

INDEXES = {"reports_by_light", "repairs_by_light", "repairs_by_record"}


def indexes(store: Store) -> set[str]:
    found = inspect(store.engine)
    names = {
        row["name"] for t in ("reports", "repairs") for row in found.get_indexes(t)
    }
    return {str(name) for name in names} & INDEXES


def columns(store: Store, table: str) -> set[str]:
    return {str(row["name"]) for row in inspect(store.engine).get_columns(table)}


def older(address: str) -> None:
    """Make a store as the first version made it."""
    engine = make_engine(address, create=True)
    with engine.begin() as connection:
        migrations.upgrade(connection, to="0001")
    engine.dispose()


def answers(store: Store) -> list[object]:
    return list(rates(lives(Register(Known(store, default_as_of(store))))))


def test_a_store_of_the_first_schema_keeps_its_rows_and_gains_what_is_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = databases.address(tmp_path)
    older(address)
    monkeypatch.setattr(migrations, "HEAD", "0001")
    monkeypatch.setattr("lightwatch.store.store._stamp", lambda _: None)
    store = open_store(address)
    take_in(store, little_town(tmp_path / "town"))
    assert not indexes(store)
    store.engine.dispose()
    monkeypatch.undo()
    upgraded = open_store(address)
    assert indexes(upgraded) == INDEXES
    assert {"closed_at", "closed_as", "duplicate_of"} <= columns(upgraded, "reports")
    assert "feed" in columns(upgraded, "lights")
    (tmp_path / "new").mkdir()
    new = open_store(databases.address(tmp_path / "new"), create=True)
    take_in(new, Path(tmp_path / "town"))
    assert answers(upgraded) == answers(new)


def test_an_upgrade_that_fails_leaves_the_older_store_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = databases.address(tmp_path)
    older(address)
    engine = make_engine(address, create=False)
    with engine.begin() as connection:
        connection.execute(text("CREATE INDEX repairs_by_record ON reports (symptom)"))
    engine.dispose()
    with pytest.raises(Exception, match="repairs_by_record"):
        open_store(address)
    engine = make_engine(address, create=False)
    with engine.connect() as connection:
        version = connection.execute(text("SELECT version_num FROM alembic_version"))
        assert version.scalar_one() == "0001"
    names = {row["name"] for row in inspect(engine).get_indexes("repairs")}
    assert "repairs_by_light" not in names
    engine.dispose()
