"""Two services on one PostgreSQL, and a server that was started anew."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import create_engine, text

from api import create_app
from lightwatch.settings import Settings
from tests import databases
from tests.api.test_repairs import job
from tests.small_city import small_city


@pytest.fixture(scope="module")
def services(
    postgres: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[list[TestClient]]:
    databases.use(postgres)
    address = small_city(tmp_path_factory.mktemp("village"))
    apps = [create_app(Settings(database_url=address)) for _ in range(2)]
    yield [TestClient(app, base_url="http://lights.test") for app in apps]
    for app in apps:
        app.state.present.store.engine.dispose()
    databases.use(None)


def keys(services: list[TestClient], column: str, text: str) -> list[str]:
    store = services[0].app.state.present.store  # type: ignore[attr-defined]
    return [row["key"] for row in store.rows("repairs") if row[column] == text]


def both(services: list[TestClient], records: list[dict[str, str]]) -> list[int]:
    """Post records to the services by turns, all at once; return the statuses."""

    def post(number: int) -> int:
        service = services[number % 2]
        return service.post("/api/repairs", json=records[number]).status_code

    with ThreadPoolExecutor(len(records)) as crews:
        return list(crews.map(post, range(len(records))))


def test_of_many_corrections_of_one_repair_exactly_one_wins(
    services: list[TestClient],
) -> None:
    for _ in range(2):
        first = job()
        assert services[0].post("/api/repairs", json=first).status_code == 201
        late = [job(supersedes=first["repair_id"]) for _ in range(15)]
        answers = both(services, late)
        assert sorted(answers) == [201] + [409] * 14
        assert len(keys(services, "supersedes", first["repair_id"])) == 1


def test_the_same_record_sent_to_both_at_once_is_never_refused(
    services: list[TestClient],
) -> None:
    for _ in range(5):
        record = job()
        answers = both(services, [record] * 12)
        assert sorted(answers) == [200] * 11 + [201]
        assert keys(services, "repair_id", record["repair_id"]) == [record["repair_id"]]


def test_connections_that_the_server_closed_are_made_anew(
    postgres: str, services: list[TestClient]
) -> None:
    engine = services[0].app.state.present.store.engine  # type: ignore[attr-defined]
    assert services[0].post("/api/repairs", json=job()).status_code == 201
    assert engine.pool.checkedin() > 0
    server = create_engine(postgres, isolation_level="AUTOCOMMIT")
    end = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = :d"
    with server.connect() as connection:
        connection.execute(text(end), {"d": engine.url.database})
    server.dispose()
    assert services[0].post("/api/repairs", json=job()).status_code == 201
