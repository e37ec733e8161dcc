"""Repairs by JSON: kept once, never lost, refused with a reason."""

from __future__ import annotations

import json
import re
import secrets
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from fastapi.testclient import TestClient

from api.present import now
from lightwatch.nights import DAY, LocalTime
from lightwatch.observations.known import Known, default_as_of
from tests.small_city import DARK

CONTRACT = Path(__file__).parents[3] / "shared" / "contract"

DAY_AFTER_EXPORT = "2025-11-02T09:00:00+00:00"
"""Failures count as far as repairs are on record: not after a year without any."""


def job(**changed: str) -> dict[str, str]:
    told = {
        "repair_id": secrets.token_hex(16),
        "light_id": "L000005",
        "component": "photocontrol",
        "cause": "photocontrol",
        "action": "replaced",
        "fitted_model": "ORV-E",
        "proven": "cover_test",
    }
    return {name: text for name, text in (told | changed).items() if text}


def problem(reply: Any, status: int) -> dict[str, Any]:
    assert reply.status_code == status, reply.text
    assert reply.headers["content-type"] == "application/problem+json"
    told: dict[str, Any] = reply.json()
    assert told["status"] == status
    assert told["title"]
    assert told["detail"]
    return told


def test_a_new_record_is_201_and_the_same_again_is_200(client: TestClient) -> None:
    record = job()
    first = client.post("/api/repairs", json=record)
    again = client.post("/api/repairs", json=record)
    assert (first.status_code, again.status_code) == (201, 200)
    assert (first.json()["already"], again.json()["already"]) == (False, True)
    assert first.json()["record"] == again.json()["record"]
    kept = client.get(f"/api/repairs/{record['repair_id']}").json()
    assert record.items() <= kept.items()


def test_another_record_under_the_same_key_is_refused(client: TestClient) -> None:
    record = job()
    client.post("/api/repairs", json=record)
    other = client.post("/api/repairs", json={**record, "proven": "seen_lit"})
    told = problem(other, 409)
    assert told["errors"][0]["where"] == "proven"
    assert told["on_record"] == record["repair_id"]
    kept = client.get(f"/api/repairs/{record['repair_id']}").json()
    assert kept["proven"] == "cover_test"


@pytest.mark.parametrize("column", ["light_id", "circuit_id", "section_id"])
def test_an_unknown_asset_is_404_and_named(client: TestClient, column: str) -> None:
    told = problem(client.post("/api/repairs", json=job(**{column: "NOPE"})), 404)
    assert told["errors"][0]["where"] == column
    assert told["errors"][0]["value"] == "NOPE"


def test_every_broken_rule_is_told_with_where_and_what_was_expected(
    client: TestClient,
) -> None:
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    bad = job(action="danced", volts="-5", performed_at=tomorrow)
    told = problem(client.post("/api/repairs", json=bad), 422)
    by_column = {one["where"]: one for one in told["errors"]}
    assert set(by_column) == {"action", "volts", "performed_at"}
    assert "replaced" in by_column["action"]["expected"]
    assert by_column["volts"]["value"] == "-5"
    reply = client.get(f"/api/repairs/{bad['repair_id']}")
    problem(reply, 404)


@pytest.mark.parametrize(
    "body",
    [{**job(), "colour": "red"}, {**job(), "repair_id": ""}, job(light_id="")],
    ids=["unknown column", "no key", "nowhere"],
)
def test_a_record_that_cannot_be_kept_is_422(
    client: TestClient, body: dict[str, str]
) -> None:
    problem(client.post("/api/repairs", json=body), 422)


@pytest.mark.parametrize("body", [b"{", b"[]", b'{"volts": 7}', b""])
def test_a_body_that_is_no_record_is_a_problem_too(
    client: TestClient, body: bytes
) -> None:
    headers = {"Content-Type": "application/json"}
    reply = client.post("/api/repairs", content=body, headers=headers)
    assert problem(reply, 422)["errors"]


def test_a_correction_takes_the_place_of_a_record_only_once(
    client: TestClient,
) -> None:
    first = job(light_id="L000005")
    right = job(light_id="L000006", supersedes=first["repair_id"])
    late = job(light_id="L000007", supersedes=first["repair_id"])
    for record in (first, right):
        assert client.post("/api/repairs", json=record).status_code == 201
    told = problem(client.post("/api/repairs", json=late), 409)
    assert told["on_record"] == right["repair_id"]
    shown = [
        {row["repair_id"] for row in client.get(f"/api/lights/{one}").json()["repairs"]}
        for one in ("L000005", "L000006", "L000007")
    ]
    assert first["repair_id"] not in shown[0]
    assert right["repair_id"] in shown[1]
    assert late["repair_id"] not in shown[2]


def test_a_retried_correction_is_harmless(client: TestClient) -> None:
    first = job()
    right = job(proven="seen_lit", supersedes=first["repair_id"])
    replies = [client.post("/api/repairs", json=one) for one in (first, right, right)]
    assert [reply.status_code for reply in replies] == [201, 201, 200]


def test_eight_threads_with_duplicates_lose_nothing_and_double_nothing(
    client: TestClient,
) -> None:
    records = [job(notes=f"record {number}") for number in range(60)]
    sent = [record for record in records for _ in range(3)]
    rng = secrets.SystemRandom()
    rng.shuffle(sent)

    def post(record: dict[str, str]) -> tuple[str, int]:
        reply = client.post("/api/repairs", json=record)
        return record["repair_id"], reply.status_code

    with ThreadPoolExecutor(8) as crews:
        answers = list(crews.map(post, sent))
    made = [key for key, status in answers if status == 201]
    assert sorted(made) == sorted(record["repair_id"] for record in records)
    assert {status for _, status in answers} == {200, 201}
    store = client.app.state.present.store  # type: ignore[attr-defined]
    keys = [row["repair_id"] for row in store.rows("repairs")]
    assert len(keys) == len(set(keys))
    assert {record["repair_id"] for record in records} <= set(keys)


def open_on_map(client: TestClient) -> set[str]:
    """The lights that the map's list of open troubles names."""
    text = client.get("/map").text
    listed = text[text.index('<details class="list"') :]
    return set(re.findall(r"\bL\d{6}\b", listed[: listed.index("</details>")]))


def test_what_was_logged_is_at_once_in_rates_outages_card_and_map(
    client: TestClient,
) -> None:
    before = client.get("/api/outages").json()["outages"]
    light = DARK[0]
    (alone,) = [one for one in before if one["lights"] == [light]]
    kind = alone["components"][0]["kind"]
    assert light in open_on_map(client)
    rates = client.get("/api/rates?by=kind").json()["rows"]
    failures = {row["kind"]: row["failures"] for row in rates}

    record = job(light_id=light, component=kind, cause=kind, fitted_model="")
    record["performed_at"] = DAY_AFTER_EXPORT
    assert client.post("/api/repairs", json=record).status_code == 201

    after = client.get("/api/outages").json()["outages"]
    assert light not in {one for outage in after for one in outage["lights"]}
    rates = client.get("/api/rates?by=kind").json()["rows"]
    assert {row["kind"]: row["failures"] for row in rates}[kind] == failures[kind] + 1
    card = client.get(f"/api/lights/{light}").json()
    assert card["trouble"] is None
    assert card["repairs"][0]["repair_id"] == record["repair_id"]
    (part,) = [one for one in card["fitted"] if one["kind"] == kind]
    years = (datetime.now(UTC) - datetime.fromisoformat(DAY_AFTER_EXPORT)).days / 365.25
    assert part["age_years"] == pytest.approx(years, abs=0.06)
    assert light not in open_on_map(client)


def test_a_record_is_recorded_when_the_office_got_it_whatever_the_device_says(
    client: TestClient,
) -> None:
    store = client.app.state.present.store  # type: ignore[attr-defined]
    past = Known(store, LocalTime("UTC").instant("2025-10-01"))
    before = list(past.repairs["repair_id"])
    made = "2025-06-01T10:00:00+00:00"
    for said in (made, "2056-01-01T00:00:00+00:00", "soon"):
        record = job(performed_at=made, recorded_at=said)
        replies = [client.post("/api/repairs", json=record) for _ in range(2)]
        assert [reply.status_code for reply in replies] == [201, 200]
        row = store.find("repairs", [record["repair_id"]])[record["repair_id"]]
        recorded = datetime.fromisoformat(row["recorded_at"])
        assert abs(datetime.now(UTC) - recorded) < timedelta(minutes=5)
        assert json.loads(row["extra"]) == {"recorded_at as given": said}
    assert "recorded_at as given" in store.header("repairs")
    assert list(Known(store, past.as_of).repairs["repair_id"]) == before
    assert default_as_of(store) <= now() + DAY


@pytest.mark.parametrize("text", ["1970-01-01T00:00", "0205-06-01T00:00"])
def test_work_before_the_register_was_opened_is_refused(
    client: TestClient, text: str
) -> None:
    told = problem(client.post("/api/repairs", json=job(performed_at=text)), 422)
    (one,) = told["errors"]
    assert one["where"] == "performed_at"
    assert "before the register was opened" in one["what"]


def test_a_record_that_a_wrong_clock_dated_ahead_moves_no_default_time(
    client: TestClient,
) -> None:
    store = client.app.state.present.store  # type: ignore[attr-defined]
    before = default_as_of(store)
    with store.writing() as writer:
        ahead = LocalTime("UTC").instant("2056-01-01")
        row = {"key": ["Q2056"], "report_id": ["Q2056"], "recorded": [ahead]}
        writer.insert("reports", row)
    assert default_as_of(store) == before


def test_answers_keep_the_contract(client: TestClient) -> None:
    if not CONTRACT.exists():
        pytest.skip("there is no ../shared beside this checkout")
    for name in ("rates", "outages"):
        schema = json.loads((CONTRACT / f"{name}.schema.json").read_text("utf-8"))
        jsonschema.validate(client.get(f"/api/{name}").json(), schema)
