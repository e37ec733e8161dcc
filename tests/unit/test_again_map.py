"""The map of repeat failures: classes with their breaks, nothing from outside."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from lightwatch.decisions.repeats import Repeats
from lightwatch.lives import lives
from lightwatch.mapview.again import BREAKS, again_map, class_of, classes
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from tests.small_city import small_city


@pytest.fixture(scope="module")
def register(tmp_path_factory: pytest.TempPathFactory) -> Register:
    store = open_store(small_city(tmp_path_factory.mktemp("city")))
    return Register(Known(store, default_as_of(store)))


@pytest.fixture(scope="module")
def found(register: Register) -> Repeats:
    return Repeats(lives(register))


def drawn(register: Register, found: Repeats) -> str:
    known = register.known
    return again_map(
        found, register.standing, known.sections, known.roads, as_of="now", place="<i>"
    )


def test_the_scale_states_its_breaks_and_every_excess_has_a_class(register, found):
    page = drawn(register, found)
    for one in classes():
        assert one.words in page
    assert len(classes()) == len(BREAKS)
    assert [class_of(at) for at in BREAKS] == list(range(len(BREAKS)))


def test_circuits_are_drawn_by_excess_and_underground_dashed(register, found):
    page = drawn(register, found)
    underground = [one for one in found.circuits if one.feed == "underground"]
    for one in underground[:3]:
        assert f"circuit {one.circuit_id};" in page
    assert page.count('"dashArray": "7 5"') >= 1


def test_the_page_calls_for_nothing_and_shows_names_as_text(register, found):
    page = drawn(register, found)
    assert not re.search(r"<(script|link|img|iframe)[^>]*(src|href)=", page)
    assert "<i>" not in page.split("<script")[0]
    assert "Treat every conductor" in page
    assert drawn(register, found) == page


def test_words_of_a_record_stay_words_in_the_script(register, found):
    light = found.lights[0]
    hostile = replace(light, kinds=(("`${alert(1)}</script>", 9),), years=3.0)
    again = SimpleNamespace(lights=[hostile], circuits=found.circuits)
    page = drawn(register, again)
    assert "${alert" not in page
    assert "}</script>" not in page


def test_nothing_to_draw_is_a_page(register, found):
    empty = SimpleNamespace(lights=[], circuits=[])
    known = register.known
    page = again_map(
        empty, register.standing.iloc[:0], known.sections.iloc[:0],
        known.roads.iloc[:0], as_of="now", place="Nowhere",
    )  # fmt: skip
    assert "0 lights drawn" in page
