"""A dated correction counts from its date, is known from when it was said, stays."""

from __future__ import annotations

from pathlib import Path

import pytest

from lightwatch.errors import Conflict, NotUnderstood, UnknownAsset
from lightwatch.lives import lives
from lightwatch.observations.amend import amend_light
from lightwatch.observations.export import export
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates import rates
from lightwatch.register import Register
from lightwatch.store import Store
from tests.towns import CLOCK, NOW, little_town, new_store, take_in

LATER = NOW + 86_400_000_000


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made = new_store(tmp_path)
    take_in(made, little_town(tmp_path / "town"))
    return made


def amend(store: Store, on: str | None = None, light: str = "L01", **values: str):
    amend_light(store, light, values, on=on, now=LATER, said_by="a test")


def wiring_years(store: Store, as_of: int) -> dict[str, float]:
    rows = rates(lives(Register(Known(store, as_of))), ("kind", "circuit"))
    return {
        row.group["circuit"]: row.unit_years
        for row in rows
        if row.group["kind"] == "wiring"
    }


def test_a_light_moves_to_another_circuit_on_a_date(store: Store) -> None:
    before = wiring_years(store, default_as_of(store))
    amend(store, on="2019-01-01", circuit_id="C2", section_id="S6")
    after = wiring_years(store, CLOCK.instant("2020-01-05"))
    moved = (CLOCK.instant("2020-01-05") - CLOCK.instant("2019-01-01")) / 31_557_600e6
    gained = after["C2"] - wiring_years_grown(before["C2"], store)
    assert gained == pytest.approx(moved, abs=0.05)
    assert before == wiring_years(store, CLOCK.instant("2020-01-01"))


def wiring_years_grown(years: float, store: Store) -> float:
    lights = Known(store, CLOCK.instant("2020-01-01")).lights
    count = ((lights["circuit_id"] == "C2") & lights["removed"].isna()).sum()
    return years + count * 4 / 365.25


def test_a_correction_is_not_known_before_it_was_said(store: Store) -> None:
    amend(store, on="2019-01-01", pole_id="P-NEW")
    then = Known(store, CLOCK.instant("2020-01-02")).lights.set_index("light_id")
    now = Known(store, default_as_of(store)).lights.set_index("light_id")
    assert then.at["L01", "pole_id"] != "P-NEW"
    assert now.at["L01", "pole_id"] == "P-NEW"


def test_what_is_wrong_is_said_and_nothing_is_kept(store: Store) -> None:
    for light, on, values, error, said in (
        ("L99", None, {"pole_id": "P"}, UnknownAsset, "L99"),
        ("L01", None, {"circuit_id": "C99"}, UnknownAsset, "C99"),
        ("L01", None, {"longitude": "999"}, NotUnderstood, "at most 180"),
        ("L01", None, {"light_id": "L02"}, NotUnderstood, "cannot be amended"),
        ("L01", "2099-01-01", {"pole_id": "P"}, NotUnderstood, "lies ahead"),
        ("L01", "soon", {"pole_id": "P"}, NotUnderstood, "is not a time"),
        ("L01", None, {}, NotUnderstood, "nothing to amend"),
    ):
        with pytest.raises(error, match=said):
            amend_light(store, light, values, on=on, now=LATER, said_by="a test")
    assert store.history("lights") == []


def test_a_correction_of_an_earlier_date_than_the_last_is_refused(store: Store) -> None:
    amend(store, on="2019-06-01", pole_id="P2")
    with pytest.raises(Conflict, match="counts from later"):
        amend(store, on="2019-01-01", pole_id="P1")


def test_a_correction_survives_export_and_load(store: Store, tmp_path: Path) -> None:
    amend(store, on="2019-01-01", circuit_id="C2", section_id="S6")
    export(store, tmp_path / "out")
    again = new_store(tmp_path, "again.db")
    take_in(again, tmp_path / "out")
    for as_of in (default_as_of(store), CLOCK.instant("2020-01-02")):
        assert wiring_years(again, as_of) == wiring_years(store, as_of)
