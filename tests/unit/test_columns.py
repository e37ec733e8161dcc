"""What the store gives by columns is what was put in, whatever the words are."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.towns import new_store

CUTTING = ['"', ",", '","', '", "', '"]', '["', "\\", '\\"', "\n", "\t", " ", "[]", "é"]
"""Of what the store's own way of writing columns is made."""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, database: str):
    return new_store(tmp_path_factory.mktemp("columns"))


def put(store, columns: dict) -> None:
    with store.writing() as writer:
        writer.connection.exec_driver_sql("DELETE FROM reports")
        size = len(next(iter(columns.values())))
        keys = {"key": [str(i) for i in range(size)]}
        writer.insert("reports", {**keys, **columns})


@given(st.lists(st.lists(st.sampled_from(CUTTING)).map("".join) | st.none()))
@settings(max_examples=60, deadline=None)
def test_words_come_back_as_they_were_put_in(store, words):
    put(store, {"notes": words, "report_id": ["plain"] * len(words)})
    frame = store.frame("reports", ["notes", "report_id"])
    assert list(frame["notes"]) == [word or "" for word in words]
    assert list(frame["report_id"]) == ["plain"] * len(words)


def test_rows_come_in_the_order_of_position_and_before_an_instant(store):
    recorded = [None, 3_000_000_000_000_001, 5]
    put(store, {"position": [30, 10, 20], "recorded": recorded})
    frame = store.frame("reports", ["key", "recorded"])
    assert list(frame["key"]) == ["1", "2", "0"]
    assert list(frame["recorded"][:2]) == [3_000_000_000_000_001, 5]
    assert math.isnan(frame["recorded"][2])
    assert list(store.frame("reports", ["key"], before=6)["key"]) == ["2", "0"]
    assert list(store.frame("reports", ["key"], before=5)["key"]) == ["0"]


def test_equal_words_are_one_object(store):
    put(store, {"notes": ["a lamp's cover", "another", "a lamp's cover"]})
    notes = store.frame("reports", ["notes"])["notes"]
    assert notes[0] is notes[2]


def test_numbers_written_as_words_are_read_and_a_blank_one_is_none(store):
    words = ["12.5", None, "+5", "-0.30", " 1E3\t", "16.345678901234567"]
    put(store, {"longitude": words, "symptom": [None] * 6})
    frame = store.frame("reports", ["longitude", "symptom"], numbers=["longitude"])
    expected = [12.5, math.nan, 5.0, -0.3, 1000.0, 16.345678901234567]
    assert list(frame["longitude"]) == pytest.approx(expected, abs=0, nan_ok=True)
    assert list(frame["symptom"]) == [""] * 6
    put(store, {"longitude": ["7"]})
    assert list(
        store.frame("reports", ["longitude"], numbers=["longitude"]).dtypes
    ) == [float]
