"""The store keeps what it acknowledged, whole, whoever else is writing."""

from __future__ import annotations

import multiprocessing
import shutil
import sqlite3
import threading
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import event, text

from lightwatch.errors import Conflict, NotUnderstood, Unavailable, UnknownAsset
from lightwatch.store import Change, migrations, open_store, schema
from tests.towns import NOW, little_town, new_store, take_in


def add_report(store, key: str) -> None:
    with store.writing() as writer:
        writer.insert("reports", {"key": [key], "report_id": [key], "symptom": ["out"]})


def keys(store) -> list[str]:
    return [row["key"] for row in store.rows("reports")]


# Steps --------------------------------------------------------------------------


def test_a_new_store_upgraded_from_nothing_has_exactly_the_schemas_tables(tmp_path):
    store = new_store(tmp_path)
    with store.engine.connect() as connection:
        context = MigrationContext.configure(connection)
        assert compare_metadata(context, schema.metadata) == []


def test_the_newest_step_that_the_code_names_is_the_newest_there_is():
    scripts = ScriptDirectory(str(migrations.VERSIONS))
    assert scripts.get_current_head() == migrations.HEAD


def test_opening_a_store_again_runs_no_step(tmp_path, monkeypatch):
    add_report(new_store(tmp_path), "Q1")
    monkeypatch.setattr(migrations, "upgrade", None)
    assert keys(open_store(f"sqlite:///{tmp_path}/store.db")) == ["Q1"]


def test_a_store_of_a_newer_version_is_refused(tmp_path):
    store = new_store(tmp_path)
    with store.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0999'"))
    with pytest.raises(Conflict, match=r"newer Lightwatch.*step 0999") as refused:
        open_store(f"sqlite:///{tmp_path}/store.db")
    assert "\n" not in str(refused.value)


def test_a_database_of_something_else_is_refused_and_left_alone(tmp_path):
    file = tmp_path / "bees.db"
    with sqlite3.connect(file) as connection:
        connection.execute("CREATE TABLE hives (name TEXT)")
    connection.close()
    before = file.read_bytes()
    for create in (False, True):
        with pytest.raises(Conflict, match=r"hives.*no store of ours"):
            open_store(f"sqlite:///{file}", create=create)
    with sqlite3.connect(file) as connection:
        found = connection.execute("SELECT name FROM sqlite_master").fetchall()
    connection.close()
    assert found == [("hives",)]
    assert len(file.read_bytes()) == len(before)


@pytest.mark.parametrize("steps", [[], ["3fa8c1d2e4b5"], ["0001", "0002"], ["0000x"]])
def test_a_database_with_steps_of_another_kind_is_refused(tmp_path, steps):
    with sqlite3.connect(tmp_path / "bees.db") as connection:
        connection.execute("CREATE TABLE alembic_version (version_num TEXT)")
        for step in steps:
            connection.execute("INSERT INTO alembic_version VALUES (?)", (step,))
    connection.close()
    with pytest.raises(Conflict, match="no store of ours"):
        open_store(f"sqlite:///{tmp_path}/bees.db", create=True)


def test_a_damaged_store_is_told_of_in_one_line(tmp_path):
    store = new_store(tmp_path)
    take_in(store, little_town(tmp_path / "town"))
    with store.engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    store.engine.dispose()
    file = tmp_path / "store.db"
    whole = file.read_bytes()
    page = len(whole) // pages
    file.write_bytes(whole[:page] + b"\xff" * (len(whole) - page))
    with pytest.raises(Conflict) as refused:
        list(open_store(f"sqlite:///{file}").rows("reports"))
    assert "\n" not in str(refused.value)


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path):
    file = tmp_path / "letter.db"
    file.write_bytes(b"Dear Sir or Madam, " * 100)
    with pytest.raises(Conflict, match="cannot be opened as a store"):
        open_store(f"sqlite:///{file}", create=True)
    assert file.read_bytes() == b"Dear Sir or Madam, " * 100


def test_a_store_that_is_not_there_is_not_made_by_asking_it(tmp_path):
    with pytest.raises(UnknownAsset, match="no store at"):
        open_store(f"sqlite:///{tmp_path}/none.db")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(UnknownAsset, match="no folder"):
        open_store(f"sqlite:///{tmp_path}/none/x.db", create=True)


@pytest.mark.parametrize("address", ["", "store.db", "nonsense://x", "sqlite+x:///y"])
def test_an_address_that_names_no_database_is_not_understood(address):
    with pytest.raises(NotUnderstood, match="expected sqlite:///FILE"):
        open_store(address, create=True)


_BROKEN_STEP = """
import sqlalchemy as sa
from alembic import op

revision = "0999"
down_revision = "{head}"


def upgrade():
    op.create_table("half_made", sa.Column("x", sa.Integer))
    op.execute("UPDATE reports SET symptom = 'spoilt'")
    op.execute("INSERT INTO nowhere VALUES (1)")
"""


def test_an_upgrade_that_fails_leaves_the_store_as_it_was(tmp_path, monkeypatch):
    add_report(new_store(tmp_path), "Q1")
    steps = tmp_path / "steps"
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(migrations.VERSIONS, steps, ignore=ignored)
    broken = _BROKEN_STEP.format(head=migrations.HEAD)
    (steps / "versions" / "0999_broken.py").write_text(broken, "utf-8")
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "VERSIONS", steps)
        patch.setattr(migrations, "HEAD", "0999")
        with pytest.raises(Conflict, match="nowhere"):
            open_store(f"sqlite:///{tmp_path}/store.db")
    store = open_store(f"sqlite:///{tmp_path}/store.db")
    assert [row["symptom"] for row in store.rows("reports")] == ["out"]
    with store.engine.connect() as connection:
        version = connection.execute(text("SELECT version_num FROM alembic_version"))
        assert version.scalar_one() == migrations.HEAD
        assert compare_metadata(
            MigrationContext.configure(connection), schema.metadata
        ) == []  # fmt: skip


# What is acknowledged is kept ---------------------------------------------------


@pytest.mark.parametrize(
    ("pragma", "value"),
    [("journal_mode", "wal"), ("synchronous", 2), ("foreign_keys", 1)],
)
def test_every_connection_writes_ahead_syncs_fully_and_minds_references(
    tmp_path, pragma, value
):
    # synchronous: 2 is FULL (sqlite.org/pragma.html#pragma_synchronous).
    store = new_store(tmp_path)
    reading = store.engine.execution_options(reads=True)
    with reading.connect() as one, reading.connect() as two:
        for connection in (one, two):
            found = connection.exec_driver_sql(f"PRAGMA {pragma}").scalar_one()
            assert found == value


def test_a_component_of_a_light_that_is_not_there_cannot_be_kept(tmp_path):
    store = new_store(tmp_path)
    row = {"key": ["L1|lamp|1"], "light_id": ["L1"], "kind": ["lamp"]}
    with pytest.raises(Conflict) as refused, store.writing() as writer:
        writer.insert("components", row)
    assert "FOREIGN KEY" in refused.value.driver
    assert list(store.rows("components")) == []


def test_a_disk_that_is_full_is_trouble_and_no_contradiction(tmp_path):
    store = new_store(tmp_path)
    add_report(store, "Q1")

    @event.listens_for(store.engine, "begin")
    def _full(connection):
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")

    long = {"key": ["Q2"], "report_id": ["Q2"], "notes": ["x" * 100_000]}
    with pytest.raises(Unavailable) as trouble, store.writing() as writer:
        writer.insert("reports", long)
    assert "full" in trouble.value.driver
    assert "full" not in str(trouble.value)
    assert keys(store) == ["Q1"]


def test_a_transaction_that_fails_is_undone_whole(tmp_path):
    store = new_store(tmp_path)
    add_report(store, "Q1")

    def spoil() -> None:
        with store.writing() as writer:
            writer.insert("reports", {"key": ["Q2"], "report_id": ["Q2"]})
            writer.begin_load(NOW, NOW, {"name": "x"}, "a test")
            writer.replace("reports", Change("Q1", {"symptom": "dim"}, 1, 1, "a test"))
            raise InterruptedError

    with pytest.raises(InterruptedError):
        spoil()
    assert keys(store) == ["Q1"]
    assert store.loads() == []
    assert store.history("reports") == []
    assert store.find("reports", ["Q1"])["Q1"]["symptom"] == "out"


def test_a_package_that_breaks_off_half_way_leaves_nothing(tmp_path):
    store = new_store(tmp_path)
    folder = little_town(tmp_path / "town", stock=b"model,depot\n\xff,\n")
    with pytest.raises(NotUnderstood, match=r"stock\.csv"):
        take_in(store, folder)
    assert store.loads() == []
    assert all(not list(store.rows(name)) for name in schema.TABLES)
    assert all(not store.header(name) for name in schema.TABLES)


def test_a_writer_holds_the_store_from_its_first_moment_and_readers_go_on(tmp_path):
    store = new_store(tmp_path)
    add_report(store, "Q1")
    other = sqlite3.connect(tmp_path / "store.db", timeout=0, isolation_level=None)
    try:
        with store.writing():
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                other.execute("BEGIN IMMEDIATE")
            assert other.execute("SELECT count(*) FROM reports").fetchone() == (1,)
            assert keys(store) == ["Q1"]
        other.execute("BEGIN IMMEDIATE")
        other.execute("ROLLBACK")
    finally:
        other.close()


def test_many_threads_that_read_and_write_by_turns_lose_nothing(tmp_path):
    store = new_store(tmp_path)
    add_report(store, "count")
    each = 20

    def work(name: str) -> None:
        for i in range(each):
            with store.writing() as writer:
                row = writer.find("reports", ["count"])["count"]
                count = str(int(row["notes"] or 0) + 1)
                writer.date_version("reports", "count", {"notes": count})
                writer.insert("reports", {"key": [f"{name}{i}"], "report_id": ["x"]})

    threads = [threading.Thread(target=work, args=(name,)) for name in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert store.find("reports", ["count"])["count"]["notes"] == str(4 * each)
    assert len(keys(store)) == 4 * each + 1


def _work(address: str, name: str, each: int) -> None:
    store = open_store(address, create=True)
    for i in range(each):
        add_report(store, f"{name}{i}")
    store.engine.dispose()


def test_processes_that_make_one_store_and_write_to_it_lose_nothing(tmp_path):
    address = f"sqlite:///{tmp_path}/store.db"
    spawned = multiprocessing.get_context("spawn")
    each = 15
    workers = [
        spawned.Process(target=_work, args=(address, name, each)) for name in "abc"
    ]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0, 0]
    found = keys(open_store(address))
    assert sorted(found) == sorted(f"{name}{i}" for name in "abc" for i in range(each))


def _load(address: str, folder: Path) -> None:
    store = open_store(address, create=True)
    take_in(store, folder)
    store.engine.dispose()


def test_of_two_places_that_are_loaded_at_once_one_is_refused(tmp_path):
    store = new_store(tmp_path)
    folders = [
        little_town(tmp_path / name, place={"name": name}) for name in ("one", "two")
    ]
    together, said = threading.Barrier(2), []

    def work(folder: Path) -> None:
        together.wait(60)
        try:
            take_in(store, folder)
        except Conflict as refused:
            said.append(str(refused))

    threads = [threading.Thread(target=work, args=(folder,)) for folder in folders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(said) == 1
    assert "nothing was loaded" in said[0]
    assert len(store.loads()) == 1


def test_two_processes_that_load_one_package_at_once_load_it_once(tmp_path):
    address = f"sqlite:///{tmp_path}/store.db"
    folder = little_town(tmp_path / "town")
    spawned = multiprocessing.get_context("spawn")
    workers = [spawned.Process(target=_load, args=(address, folder)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    store = open_store(address)
    assert len(keys(store)) == 11
    assert store.history("lights") == []


# Versions -----------------------------------------------------------------------


def change(store, value: str, at: int) -> None:
    with store.writing() as writer:
        writer.replace("reports", Change("Q1", {"symptom": value}, at, at, "a test"))


def test_each_replaced_version_is_kept_in_order_with_its_dates(tmp_path):
    store = new_store(tmp_path)
    add_report(store, "Q1")
    change(store, "dim", 100)
    change(store, "cycling", 200)
    old = store.history("reports")
    assert [row["content"]["symptom"] for row in old] == ["out", "dim"]
    assert [row["effective"] for row in old] == [None, 100]
    assert [row["said_by"] for row in old] == [None, "a test"]
    now = store.find("reports", ["Q1"])["Q1"]
    assert (now["symptom"], now["effective"]) == ("cycling", 200)
    assert store.newest_record() == 200


def test_a_version_may_not_count_from_before_the_one_on_record(tmp_path):
    store = new_store(tmp_path)
    add_report(store, "Q1")
    change(store, "dim", 200)
    with pytest.raises(Conflict, match="counts from later"):
        change(store, "out", 100)
    with pytest.raises(UnknownAsset, match="no row"), store.writing() as writer:
        writer.replace("reports", Change("Q9", {}, 1, 1, "a test"))
    assert len(store.history("reports")) == 1


def test_the_place_is_that_of_the_newest_export_not_of_the_last_load(tmp_path):
    store = new_store(tmp_path)
    with pytest.raises(UnknownAsset, match="store is empty"):
        store.place()
    for created, depot in [(5, "new"), (3, "old")]:
        with store.writing() as writer:
            writer.begin_load(NOW, created, {"name": "x", "depot": depot}, "a test")
    assert store.place().place["depot"] == "new"
    assert [load.created for load in store.loads()] == [5, 3]


def test_a_store_in_memory_can_be_made_too():
    store = open_store("sqlite://", create=True)
    add_report(store, "Q1")
    assert keys(store) == ["Q1"]
