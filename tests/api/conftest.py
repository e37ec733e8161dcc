"""The service over a fresh village, one for each module of tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient

from api import create_app
from lightwatch.settings import Settings
from tests.small_city import small_city


@pytest.fixture(scope="module")
def client(
    database: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[TestClient]:
    address = small_city(tmp_path_factory.mktemp("village"))
    app = create_app(Settings(database_url=address))
    with TestClient(app, base_url="http://lights.test") as opened:
        yield opened
    app.state.present.store.engine.dispose()
