"""Trouble of the database: told as such, tried again, and each record is there once."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Iterator
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.api.test_repairs import job, problem

SECRET = "server at 10.1.2.3 closed the connection\nDETAIL: words of the driver"
PEOPLE = {"Accept": "text/html"}


@pytest.fixture
def engine(client: TestClient) -> Iterator[Any]:
    engine = client.app.state.present.store.engine  # type: ignore[attr-defined]
    yield engine
    for name in ("do_begin", "do_commit"):
        vars(engine.dialect).pop(name, None)


def failing(engine: Any, name: str, first: Callable[[Any], None] | None = None) -> None:
    """Let a step of every transaction fail, after it was done if that is given."""

    def fail(connection: Any) -> None:
        if first:
            first(connection)
        raise engine.dialect.loaded_dbapi.OperationalError(SECRET)

    setattr(engine.dialect, name, fail)


def rows(client: TestClient, key: str) -> int:
    store = client.app.state.present.store  # type: ignore[attr-defined]
    return [row["repair_id"] for row in store.rows("repairs")].count(key)


@pytest.mark.parametrize("kept", [False, True], ids=["not kept", "kept, answer lost"])
def test_a_commit_that_fails_is_503_and_the_same_again_is_there_once(
    client: TestClient, engine: Any, kept: bool, caplog: pytest.LogCaptureFixture
) -> None:
    record = job()
    commit = engine.dialect.do_commit
    failing(engine, "do_commit", commit if kept else engine.dialect.do_rollback)
    with caplog.at_level(logging.ERROR, "lightwatch.service"):
        reply = client.post("/api/repairs", json=record)
    told = problem(reply, 503)
    assert int(reply.headers["retry-after"]) > 0
    assert "same key" in told["detail"]
    assert "driver" not in reply.text
    assert "10.1.2.3" not in reply.text
    assert "on_record" not in told
    assert "server at 10.1.2.3" in caplog.text
    del engine.dialect.do_commit
    again = client.post("/api/repairs", json=record)
    assert (again.status_code, again.json()["already"]) == (200 if kept else 201, kept)
    assert rows(client, record["repair_id"]) == 1


@pytest.mark.parametrize("path", ["/api/lights?q=L000005", "/api/repairs/x", "/"])
def test_a_question_that_the_database_does_not_answer_is_503(
    client: TestClient, engine: Any, path: str
) -> None:
    failing(engine, "do_begin")
    reply = client.get(path)
    problem(reply, 503)
    assert "driver" not in reply.text


def test_the_problem_page_reads_nothing_and_gives_the_form_back_with_its_key(
    client: TestClient, engine: Any
) -> None:
    record = job(notes='a "quoted" <note>')
    failing(engine, "do_commit", engine.dialect.do_commit)
    reply = client.post("/repairs", data=record, headers=PEOPLE)
    assert reply.status_code == 503
    assert "not known whether this was saved" in reply.text
    failing(engine, "do_begin")
    down = client.post("/repairs", data=record, headers=PEOPLE)
    assert down.status_code == 503
    del engine.dialect.do_begin, engine.dialect.do_commit
    for page in (reply.text, down.text):
        assert "10.1.2.3" not in page
        form = page[page.index("<form") : page.index("</form>")]
        hidden = re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form)
        assert {name: unescape(text) for name, text in hidden} == record
    done = client.post("/repairs", data=record, headers=PEOPLE)
    assert done.status_code == 200
    assert rows(client, record["repair_id"]) == 1


def test_pages_of_the_device_open_without_the_database(
    client: TestClient, engine: Any
) -> None:
    failing(engine, "do_begin")
    assert client.get("/shell").status_code == 200
    assert client.get("/queue").status_code == 200
