"""What is too long, too slow or too many is refused, and takes no place from others."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient

import api.limited
import api.wire
from lightwatch.limits import BODY_BYTES, FIELD_CHARS
from tests.api.test_repairs import job, problem
from tests.browser.office import Office


def test_a_body_that_is_too_long_is_413_whether_it_says_so_or_not(
    client: TestClient,
) -> None:
    long = json.dumps(job(notes="x" * BODY_BYTES)).encode()
    told = problem(client.post("/api/repairs", content=long), 413)
    assert f"{BODY_BYTES:,}" in told["detail"]
    told = problem(client.post("/api/repairs", content=iter([long])), 413)
    assert "too long" in told["detail"]
    form = job(notes="x" * BODY_BYTES)
    assert client.post("/repairs", data=form).status_code == 413


def test_a_value_that_is_too_long_is_422_and_named(client: TestClient) -> None:
    fits = job(notes="x" * FIELD_CHARS)
    assert client.post("/api/repairs", json=fits).status_code == 201
    told = problem(client.post("/api/repairs", json=job(notes="x" * 4_001)), 422)
    (one,) = told["errors"]
    assert one["where"] == "notes"
    assert "4,001 characters" in one["what"]
    assert len(one["value"]) < 100


@pytest.mark.parametrize("sign", ["\\ud800", "\\u0000"])
@pytest.mark.parametrize("column", ["notes", "light_id", "repair_id", "colour"])
def test_a_sign_that_is_no_text_is_422(
    client: TestClient, column: str, sign: str
) -> None:
    record = json.dumps(job(**{column: "A@B"})).replace("@", sign)
    headers = {"Content-Type": "application/json"}
    problem(client.post("/api/repairs", content=record, headers=headers), 422)
    record = json.dumps(job(**{f"a@{column}": "B"})).replace("@", sign)
    problem(client.post("/api/repairs", content=record, headers=headers), 422)


def test_json_that_is_nested_very_deep_is_refused(client: TestClient) -> None:
    body = b"[" * 100_000
    headers = {"Content-Type": "application/json"}
    reply = client.post("/api/repairs", content=body, headers=headers)
    problem(reply, reply.status_code)
    assert reply.status_code in (400, 422)


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    opened = Office(tmp_path_factory.mktemp("office"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(api.wire, "HEAD_S", 0.4)
        patch.setattr(api.wire, "CONNECTIONS", 30)
        patch.setattr(api.limited, "BODY_S", 0.4)
        opened.start()
        yield opened
        opened.stop()


def said(one: socket.socket) -> str:
    one.settimeout(20)
    parts = []
    while part := one.recv(65536):
        parts.append(part)
    return b"".join(parts).decode()


HALF = b"POST /api/repairs HTTP/1.1\r\nHost: x\r\n"


def test_half_a_request_is_ended_and_many_hold_no_place(office: Office) -> None:
    whole = b"GET /queue HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    length = b"Content-Type: application/json\r\nContent-Length: 9\r\n\r\n{"
    half = [HALF, HALF + length, b"", whole[:9]]
    crowd = [socket.create_connection(("127.0.0.1", office.inner)) for _ in range(29)]
    for number, one in enumerate(crowd):
        one.sendall(half[number % 4])
    answers = [said(one) for one in crowd]
    assert all(text.startswith("HTTP/1.1 408 ") for text in answers)
    assert all("problem+json" in text for text in answers)
    with socket.create_connection(("127.0.0.1", office.inner)) as one:
        one.sendall(whole)
        assert said(one).startswith("HTTP/1.1 200 ")
    for one in crowd:
        one.close()


def test_a_second_request_on_a_connection_is_waited_for_no_longer(
    office: Office,
) -> None:
    with socket.create_connection(("127.0.0.1", office.inner)) as one:
        one.sendall(b"GET /queue HTTP/1.1\r\nHost: x\r\n\r\n")
        assert one.recv(65536).startswith(b"HTTP/1.1 200 ")
        one.sendall(HALF)
        assert "HTTP/1.1 408 " in said(one)


def test_one_connection_too_many_is_told_so(office: Office) -> None:
    crowd = [socket.create_connection(("127.0.0.1", office.inner)) for _ in range(31)]
    answers = [said(one) for one in crowd]
    assert sum("HTTP/1.1 503 " in text for text in answers) == 1
    assert all("Retry-After" in text for text in answers if " 503 " in text)
    for one in crowd:
        one.close()
