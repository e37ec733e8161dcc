"""Pictures are valid, escaped, self-contained, and tell types apart by pattern."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates.life_models import LifeModels, life_models
from lightwatch.register import Register
from lightwatch.store import open_store
from reports.charts import pictures
from tests.small_city import small_city

NAMESPACE = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def models(tmp_path_factory: pytest.TempPathFactory) -> LifeModels:
    store = open_store(small_city(tmp_path_factory.mktemp("village")))
    return life_models(lives(Register(Known(store, default_as_of(store)))))


@pytest.fixture(scope="module")
def drawn(models: LifeModels) -> dict[str, str]:
    return pictures(models, 550, "2025-11-01")


def test_there_is_a_picture_of_each_sort(drawn: dict[str, str]) -> None:
    for name in ("survival-lamp", "hazard-lamp", "months-photocontrol", "ratios"):
        assert f"{name}.svg" in drawn


def test_pictures_are_valid_and_ask_for_nothing(drawn: dict[str, str]) -> None:
    for name, text in drawn.items():
        root = ElementTree.fromstring(text)
        assert root.tag == f"{NAMESPACE}svg", name
        assert root.find(f"{NAMESPACE}title") is not None
        assert "As of 2025-11-01" in (root.findtext(f"{NAMESPACE}desc") or "")
        assert not re.search(r"href|url\(|<script", text)
        assert "nan" not in text.lower().replace("maintenance", "")


def test_types_differ_in_pattern_and_carry_their_name(drawn: dict[str, str]) -> None:
    text = drawn["survival-photocontrol.svg"]
    thick = re.findall(r'stroke-width="2.4"( stroke-dasharray="[^"]*")?', text)
    assert len(thick) == len(set(thick)) == 3
    for name in ("thermal", "electronic", "long life"):
        assert f">{name}</text>" in text


def test_a_name_from_the_records_never_becomes_markup(models: LifeModels) -> None:
    evil = '<script>alert(1)</script>"&'
    fits = tuple(replace(fit, type=evil) for fit in models.fits if fit.kind == "lamp")
    text = pictures(replace(models, fits=fits[:1]), 550, evil)["survival-lamp.svg"]
    assert "<script" not in text
    ElementTree.fromstring(text)


def test_a_curve_ends_where_too_few_are_watched(models: LifeModels) -> None:
    lamp = next(fit for fit in models.fits if fit.kind == "lamp" and fit.curve)
    assert lamp.curve is not None
    whole = pictures(replace(models, fits=(lamp,)), 550, "now")["survival-lamp.svg"]
    few = replace(lamp, curve=replace(lamp.curve, at_risk=lamp.curve.at_risk * 0 + 9))
    none = pictures(replace(models, fits=(few,)), 550, "now")["survival-lamp.svg"]
    assert "<polygon" in whole
    assert "<polygon" not in none
    ElementTree.fromstring(none)
