"""The pages as plain HTML: forms that work without a script, and what they may load."""

from __future__ import annotations

import asyncio
import re
from html.parser import HTMLParser
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.api.test_repairs import job

HTML = {"Accept": "text/html"}
KEPT = {"repair_id", "light_id", "supersedes", "report_id", "circuit_id"}


class Form(HTMLParser):
    """The first form that logs a repair: its fields as a browser would send them."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.inside = self.over = False
        self.fields: dict[str, str] = {}
        self.feed(html)

    def handle_starttag(self, tag: str, attributes: list[Any]) -> None:
        told = dict(attributes)
        if tag == "form" and told.get("action") == "/repairs" and not self.over:
            self.inside = True
        if self.inside and tag == "input" and told["name"] in KEPT:
            self.fields[told["name"]] = told.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form" and self.inside:
            self.inside, self.over = False, True


def opened(client: TestClient, path: str = "/lights/L000005") -> dict[str, str]:
    return Form(client.get(path, headers=HTML).text).fields


def test_the_plain_form_keeps_a_record_and_leads_to_its_receipt(
    client: TestClient,
) -> None:
    fields = opened(client)
    assert re.fullmatch("[0-9a-f]{32}", fields["repair_id"])
    given = {**fields, "what": "photocontrol", "fitted_model": ["ORV-E", ""]}
    reply = client.post(
        "/repairs", data={**given, "proven": "cover_test"}, follow_redirects=False
    )
    assert reply.status_code == 303
    assert reply.headers["location"] == f"/receipts/{fields['repair_id']}"
    page = client.get(reply.headers["location"]).text
    assert "Received by the office" in page
    kept = client.get(f"/api/repairs/{fields['repair_id']}").json()
    assert kept["cause"] == kept["component"] == "photocontrol"
    assert (kept["action"], kept["fitted_model"]) == ("replaced", "ORV-E")


def test_the_plain_form_sent_twice_is_one_record(client: TestClient) -> None:
    given = {**opened(client), "what": "lamp", "proven": "not_proven"}
    replies = [client.post("/repairs", data=given) for _ in range(2)]
    assert [reply.status_code for reply in replies] == [200, 200]
    assert replies[0].url == replies[1].url
    kept = client.get(f"/api/repairs/{given['repair_id']}").json()
    assert kept["follow_up"] == "verify_at_night"


def test_each_opened_form_has_a_key_of_its_own(client: TestClient) -> None:
    assert opened(client)["repair_id"] != opened(client)["repair_id"]


def test_a_refused_form_says_why_on_a_page(client: TestClient) -> None:
    given = {**opened(client), "what": "lamp", "volts": "lots"}
    reply = client.post("/repairs", data=given, headers=HTML)
    assert reply.status_code == 422
    assert "Nothing was saved" in reply.text
    assert "volts is not a number" in reply.text


def test_a_correction_starts_from_the_record_and_supersedes_it(
    client: TestClient,
) -> None:
    given = {**opened(client), "what": "lamp", "notes": "<b>new & bright</b>"}
    client.post("/repairs", data=given)
    path = f"/lights/L000005?corrects={given['repair_id']}"
    page = client.get(path).text
    assert "&lt;b&gt;new &amp; bright&lt;/b&gt;" in page
    assert "<b>new" not in page
    fields = opened(client, path)
    assert fields["light_id"] == "L000005"
    assert fields["supersedes"] == given["repair_id"] != fields["repair_id"]


def test_another_sites_form_is_refused(client: TestClient) -> None:
    given = {**opened(client), "what": "lamp"}
    reply = client.post(
        "/repairs", data=given, headers={"Origin": "https://elsewhere.test"}
    )
    assert reply.status_code == 403
    assert client.get(f"/api/repairs/{given['repair_id']}").status_code == 404
    ours = client.post("/repairs", data=given, headers={"Origin": "http://lights.test"})
    assert ours.status_code == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "https://public.test", "Sec-Fetch-Site": "same-origin"}, 201),
        ({"Origin": "https://public.test"}, 403),
        ({"Origin": "http://lights.test", "Sec-Fetch-Site": "cross-site"}, 403),
        ({"Origin": "http://lights.test", "Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "http://["}, 403),
        ({"Origin": "null"}, 403),
    ],
)
def test_a_proxy_may_give_the_service_another_name_but_no_other_site_may_post(
    client: TestClient, headers: dict[str, str], status: int
) -> None:
    reply = client.post("/api/repairs", json=job(), headers=headers)
    assert reply.status_code == status


@pytest.mark.parametrize("path", ["/", "/queue", "/shell", "/lights/L000005"])
def test_pages_load_their_own_files_only_and_run_nothing_inline(
    client: TestClient, path: str
) -> None:
    reply = client.get(path, headers=HTML)
    policy = reply.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert not re.findall(r"<script(?![^>]*\bsrc=)", reply.text)
    assert not re.findall(r"\son\w+=|\sstyle=|<style", reply.text)
    for url in re.findall(r'(?:src|href|action)="([^"]*)"', reply.text):
        assert url.startswith(("/", "data:image/")), url
    for url in re.findall(r'(?:src|href)="(/static/[^"]*)"', reply.text):
        kept = client.get(url)
        assert kept.status_code == 200
        assert "immutable" in kept.headers["cache-control"]


@pytest.mark.parametrize("path", ["/", "/queue", "/lights/L000005"])
def test_the_usual_cautions_stand_on_every_page(client: TestClient, path: str) -> None:
    text = client.get(path, headers=HTML).text
    assert "Live until tested." in text
    assert "local codes" in text


def test_the_worker_keeps_every_file_of_the_page(client: TestClient) -> None:
    worker = client.get("/sw.js")
    assert worker.headers["content-type"].startswith("text/javascript")
    names = re.findall(r'"(/static/[^"]+)"', worker.text)
    assert len(names) >= 8
    assert all(client.get(name).status_code == 200 for name in names)


def test_an_unknown_light_is_a_page_for_people(client: TestClient) -> None:
    reply = client.get("/lights/NOPE", headers=HTML)
    assert reply.status_code == 404
    assert "Not on record" in reply.text
    assert reply.headers["content-type"].startswith("text/html")


def test_a_correction_keeps_what_the_form_does_not_ask_unless_the_light_was_wrong(
    client: TestClient,
) -> None:
    wrong = {
        "light_id": "L000006",
        "circuit_id": "C00001",
        "cause": "lamp",
        "action": "replaced",
        "component": "lamp",
    }
    for key, light, circuit in (
        ("same-light", "L000006", "C00001"),
        ("other-light", "L000007", ""),
    ):
        client.post("/api/repairs", json={**wrong, "repair_id": f"wrong-{key}"})
        fields = opened(client, f"/lights/L000006?corrects=wrong-{key}")
        given = {**fields, "repair_id": key, "light_id": light, "what": "lamp"}
        assert client.post("/repairs", data=given).status_code == 200
        kept = client.get(f"/api/repairs/{key}").json()
        assert (kept["light_id"], kept["circuit_id"]) == (light, circuit)
        assert kept["supersedes"] == f"wrong-{key}"


def test_a_phone_that_lost_its_signal_while_it_waited_is_no_error(client: TestClient):
    [script] = set(re.findall(r"/static/\w+/page\.js", client.get("/").text))

    async def gone() -> dict[str, str]:
        return {"type": "http.disconnect"}

    async def unheard(_: object) -> None:
        """Nobody is there."""

    for path in (script, "/", "/api/outages"):
        scope = {
            "type": "http", "method": "GET", "path": path, "raw_path": path.encode(),
            "query_string": b"", "scheme": "http", "http_version": "1.1",
            "root_path": "", "server": ("lights.test", 80), "client": ("phone", 1),
            "headers": [(b"host", b"lights.test")],
        }  # fmt: skip
        asyncio.run(client.app(scope, gone, unheard))


def test_a_page_says_what_the_records_can_answer(client: TestClient) -> None:
    page = client.get("/answers")
    assert page.status_code == 200
    assert "What the records can answer" in page.text
    assert 'href="/answers"' in client.get("/").text
    document = client.get("/api/answers").json()
    for one in document["answers"]:
        assert one["judged_by"] in page.text
    assert 'pathname === "/answers"' in client.get("/sw.js").text
    assert client.get("/api/rates").json()["not_known"] is None
