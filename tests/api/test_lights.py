"""Finding a light, its card, and the extract that a device keeps."""

from __future__ import annotations

import gzip
import math
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api import create_app
from lightwatch.errors import UnknownAsset
from lightwatch.settings import Settings
from lightwatch.store import open_store
from tests.small_city import DARK


def test_a_tag_finds_its_light_before_any_that_only_contain_it(
    client: TestClient,
) -> None:
    lights = client.get("/api/extract").json()["lights"]
    light_id, pole_id = lights[40][:2]
    for text in (light_id, pole_id, pole_id.lower()):
        found = client.get("/api/lights", params={"q": text}).json()["lights"]
        assert found[0]["light_id"] == light_id, text
    several = client.get("/api/lights", params={"q": pole_id[:4]}).json()["lights"]
    assert len(several) > 1
    assert all(pole_id[:4] in one["pole_id"] for one in several)


def test_a_road_name_finds_the_lights_on_it(client: TestClient) -> None:
    extract = client.get("/api/extract").json()
    road = next(name for name in extract["roads"] if len(name) > 3)
    found = client.get("/api/lights", params={"q": road}).json()["lights"]
    assert found
    assert {one["road"] for one in found} == {road}


def test_nearness_is_by_great_circle_and_in_order(client: TestClient) -> None:
    lights = client.get("/api/extract").json()["lights"]
    light_id, _, lon, lat = lights[12][:4]
    where = {"near": f"{lon},{lat + 0.0001}", "limit": 5}
    found = client.get("/api/lights", params=where).json()["lights"]
    away = [one["distance_m"] for one in found]
    assert away == sorted(away)
    assert len(found) == 5
    mine = next(one for one in found if one["light_id"] == light_id)
    north = 6_371_008.8 * math.radians(0.0001)
    assert mine["distance_m"] == pytest.approx(north, abs=0.1)


@pytest.mark.parametrize(
    "query", ["", "near=1", "near=200,0", "near=nan,1", "q=%20", "q=L&limit=0"]
)
def test_a_question_that_says_no_place_is_refused(
    client: TestClient, query: str
) -> None:
    reply = client.get(f"/api/lights?{query}")
    assert reply.status_code == 422
    assert reply.headers["content-type"] == "application/problem+json"


def test_an_unknown_light_is_404(client: TestClient) -> None:
    assert client.get("/api/lights/NOPE").status_code == 404


def test_a_light_of_others_says_so_on_card_page_and_device(
    client: TestClient,
) -> None:
    extract = client.get("/api/extract").json()
    words = extract["words"]
    others = [row for row in extract["lights"] if words[row[8]]]
    assert others
    name, said = others[0][0], words[others[0][8]]
    assert "not ours" in said
    assert client.get(f"/api/lights/{name}").json()["not_ours"] == said
    assert said.split(":")[0] in client.get(f"/lights/{name}").text


def test_a_trouble_names_the_part_to_bring_and_the_usual_cautions(
    client: TestClient,
) -> None:
    outages = client.get("/api/outages").json()["outages"]
    (alone,) = [one for one in outages if one["lights"] == [DARK[0]]]
    card = client.get(f"/api/lights/{DARK[0]}").json()
    assert card["trouble"]["verdict"] == "single_light"
    assert card["trouble"]["probability"] == alone["probability"]
    assert card["bring"]["kind"] == alone["components"][0]["kind"]
    assert any("never proof" in one for one in card["cautions"])


def test_the_extract_is_small_tagged_and_stable(client: TestClient) -> None:
    reply = client.get("/api/extract")
    lights = len(reply.json()["lights"])
    per_light = len(gzip.compress(reply.content, 6)) / lights
    assert per_light * 6_000 < 1_000_000
    assert reply.headers["content-encoding"] == "gzip"
    tag = {"If-None-Match": reply.headers["etag"]}
    assert client.get("/api/extract", headers=tag).status_code == 304


def test_the_extract_agrees_with_the_cards(client: TestClient) -> None:
    extract = client.get("/api/extract").json()
    for row in extract["lights"][::60]:
        card = client.get(f"/api/lights/{row[0]}").json()
        parts = [extract["parts"][number] for number, _ in row[9]]
        own = [[one["kind"], one["model"]] for one in card["fitted"]]
        group = [[one["kind"], one["model"]] for one in card["fitted"] if one["group"]]
        assert sorted(parts + group) == sorted(own)
        assert extract["circuits"][row[5]][0] == card["circuit_id"]
        newest = [one[0] for one in row[10]]
        at_light = [
            one["repair_id"] for one in card["repairs"] if one["light_id"] == row[0]
        ]
        assert newest[: len(at_light)] == at_light[: len(newest)]


def test_the_service_does_not_start_without_a_store(tmp_path: Path) -> None:
    nowhere = Settings(database_url=f"sqlite:///{tmp_path / 'none.db'}")
    with pytest.raises(UnknownAsset, match="no store"):
        create_app(nowhere)
    empty = f"sqlite:///{tmp_path / 'empty.db'}"
    open_store(empty, create=True).engine.dispose()
    with pytest.raises(UnknownAsset, match="empty"):
        create_app(Settings(database_url=empty))
