"""Live and dead by HTTP: each test is logged, and moves the fault along the circuit."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api import create_app
from api.readings import readings
from lightwatch.decisions.cautions import READING
from lightwatch.decisions.triage import NextTest, Outage
from lightwatch.settings import Settings
from lightwatch.words import DEAD, LIVE, SHUT
from tests.faulted_village import BRANCH, CIRCUIT, TOLD, faulted_village

MIDDLE = BRANCH[4]
"""Where the tests are made: the far end of this section, at the light of its number."""
AT = {"action": "follow_up", "light_id": MIDDLE.replace("S", "L")}


@pytest.fixture
def client(database: str, tmp_path: Path) -> Iterator[TestClient]:
    app = create_app(Settings(database_url=faulted_village(tmp_path)))
    with TestClient(app, base_url="http://lights.test") as opened:
        yield opened
    app.state.present.store.engine.dispose()


def fault(client: TestClient) -> dict[str, Any]:
    """Return what is suspected of the circuit's feed."""
    reply = client.get("/api/troubles", params={"circuit": CIRCUIT})
    found: dict[str, Any] = reply.json()["troubles"][0]
    assert set(found["reported"]) <= set(TOLD)
    return found


def share(found: dict[str, Any], sections: tuple[str, ...]) -> float:
    """Return the share of the named sections in the probability of a shared fault."""
    chances = dict(found["sections"])
    named = sum(chances.get(one, 0.0) for one in sections)
    return float(named / found["probability"])


UPSTREAM, BEYOND = BRANCH[:5], BRANCH[5:]


def test_dead_at_the_far_end_moves_the_fault_to_the_section_and_upstream(
    client: TestClient,
) -> None:
    before = fault(client)
    assert share(before, BEYOND) > 0.05
    reading = {**AT, "repair_id": "dead", "volts": "0"}
    assert client.post("/api/repairs", json=reading).status_code == 201
    after = fault(client)
    assert share(after, BEYOND) < share(before, BEYOND) / 5
    assert share(after, UPSTREAM) > share(before, UPSTREAM)
    assert after["probability"] > before["probability"]


def test_live_at_the_far_end_moves_the_fault_beyond(client: TestClient) -> None:
    before = fault(client)
    reading = {**AT, "repair_id": "live", "volts": "228"}
    assert client.post("/api/repairs", json=reading).status_code == 201
    after = fault(client)
    assert share(after, UPSTREAM) < share(before, UPSTREAM) / 5
    assert share(after, BEYOND) > 0.8


def test_could_not_open_is_kept_and_moves_nothing(client: TestClient) -> None:
    before = fault(client)
    values = before["readings"]["could_not_open"]
    assert "volts" not in values
    reply = client.post("/api/repairs", json={**values, "repair_id": "shut"})
    assert reply.status_code == 201
    assert reply.json()["record"]["action"] == "could_not_open"
    after = fault(client)
    assert share(after, BEYOND) == pytest.approx(share(before, BEYOND), abs=0.01)


def test_a_reading_taken_back_counts_no_more(client: TestClient) -> None:
    before = fault(client)
    client.post("/api/repairs", json={**AT, "repair_id": "slip", "volts": "228"})
    back = {**AT, "repair_id": "back", "supersedes": "slip"}
    assert client.post("/api/repairs", json=back).status_code == 201
    after = fault(client)
    assert share(after, BEYOND) == pytest.approx(share(before, BEYOND), abs=0.01)


def test_the_plain_page_has_a_button_for_each_that_logs_it(client: TestClient) -> None:
    page = client.get(f"/lights/{TOLD[0]}", headers={"Accept": "text/html"}).text
    assert all(line in unescape(page) for line in READING)
    forms = re.findall(r'<form method="post" action="/repairs">.*?</form>', page, re.S)
    dead = next(one for one in forms if ">Dead at " in one)
    fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', dead))
    assert fields["action"] == "tested_dead"
    assert "volts" not in fields
    reply = client.post("/repairs", data=fields, headers={"Accept": "text/html"})
    assert "The updated verdict" in reply.text or "light_id" not in fields
    kept = client.get(f"/api/repairs/{fields['repair_id']}").json()
    assert (kept["action"], kept["volts"]) == ("tested_dead", "")


def suspected(**changed: Any) -> Outage:
    told: dict[str, Any] = {
        "lights": ("L1", "L2"),
        "reported": ("L1",),
        "circuit_id": "C1",
        "underground": True,
        "symptom": "out",
        "probabilities": {"supply_fault": 0.9, "single_light": 0.1},
        "sections": (("S1", 0.9),),
        "components": (),
        "test_first": NextTest("pole P1", "it tells most", "S1", "L1"),
        "since": datetime(2025, 11, 1, tzinfo=UTC) - timedelta(days=1),
        "why": (),
        "danger": (),
    }
    return Outage(**(told | changed))


def test_a_reading_names_the_light_else_the_section_else_the_circuit() -> None:
    places = {
        "light_id": NextTest("pole P1", "", "S1", "L1"),
        "section_id": NextTest("the far end of section S1", "", "S1"),
        "circuit_id": NextTest("K1", ""),
    }
    for column, test in places.items():
        logged = readings(suspected(test_first=test))
        assert logged
        named = {one for values in logged.values() for one in values if "_id" in one}
        assert named == {column}


def test_no_button_writes_volts_that_nobody_read() -> None:
    logged = readings(suspected())
    assert logged
    assert all("volts" not in values for values in logged.values())
    assert [values["action"] for values in logged.values()] == [LIVE, DEAD, SHUT]


def test_a_light_on_its_own_has_no_buttons() -> None:
    alone = suspected(probabilities={"single_light": 0.9, "supply_fault": 0.1})
    assert readings(alone) is None
