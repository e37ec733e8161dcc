"""Verdicts where little is on record: assumed rates, silence, closings, far reports."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightwatch.decisions.triage import Outage, Triage, triaged
from lightwatch.decisions.triage.experience import experience
from lightwatch.decisions.triage.habits import false_per_night
from lightwatch.decisions.triage.priors import Prior
from lightwatch.lives import lives
from lightwatch.nights import DAY
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import Store, open_store
from tests.small_city import small_city
from tests.towns import TABLES, little_town, new_store, take_in
from tests.unit.test_triage import chain

LIGHTS = 120
WIDE = 20
"""Lights in a row; each stands 0.0005 degrees, some 40 to 55 m, from the next."""
REPORTS = "report_id,received_at,light_id,longitude,latitude,symptom,danger"


def bare_town(
    folder: Path, reports: Iterable[str], more: str = "", **files: Any
) -> Register:
    """Return a register of lights alone, with reports; nothing else is on record."""
    folder.mkdir(exist_ok=True)
    lights = [
        f"L{i},{15.64 + 0.0005 * (i % WIDE):.4f},{47.32 + 0.0005 * (i // WIDE):.4f},led"
        for i in range(LIGHTS)
    ]
    heads = ("components", "sections", "circuits", "repairs", "patrols", "sightings")
    none = {name: TABLES[name].split("\n")[0] + "\n" for name in heads}
    store = new_store(folder)
    tables = {
        **none,
        "lights": "\n".join(["light_id,longitude,latitude,technology", *lights, ""]),
        "reports": "\n".join([REPORTS + more, *reports, ""]),
        "roads": None,
        **files,
    }
    take_in(store, little_town(folder / "town", **tables))
    return Register(Known(store, default_as_of(store)))


def judged(register: Register) -> dict[str, Outage]:
    """Return open troubles by their first light."""
    found = triaged(Triage.of(lives(register)))
    return {one.reported[0]: one for one in found}


def on_nights(light: str, count: int, last: int = 28) -> list[str]:
    return [
        f"Q{light}-{i},2019-12-{last - i:02d}T20:00,{light},,,out,"
        for i in range(count)
    ]


def wrong(outage: Outage) -> float:
    """Return the chance that anything is wrong."""
    return 1 - outage.probabilities["no_fault"]


def test_more_nights_with_reports_make_a_fault_likelier_though_nothing_is_on_record(
    tmp_path: Path,
) -> None:
    nights = {"L3": 1, "L30": 2, "L47": 3, "L64": 5, "L81": 10, "L98": 20}
    rows = [row for light, count in nights.items() for row in on_nights(light, count)]
    found = judged(bare_town(tmp_path, rows))
    chances = [round(wrong(found[light]), 5) for light in nights]
    assert chances == sorted(chances)
    assert 0.8 < chances[0] < 0.95 < chances[1]
    assert {one.verdict for one in found.values()} == {"single_light"}


def test_years_without_records_are_no_years_without_failures(tmp_path: Path) -> None:
    register = bare_town(tmp_path, on_nights("L3", 1))
    known = experience(lives(register))
    own = known.hazards.groupby("light_id")["per_year"].sum()
    assert (own == pytest.approx(0.01)) if len(own) == 1 else (own > 0.009).all()
    rates, seen = false_per_night(register, 0.1)
    assert seen == 0
    assert rates["out"] * 365.25 == pytest.approx(0.6 * 0.1 / 9)


def test_what_is_assumed_gives_way_to_records() -> None:
    prior = Prior(0.1, 1.0)
    assert prior.drawn(0.0, 0.0) == pytest.approx(0.1)
    assert prior.drawn(0.0, 10.0) == pytest.approx(0.05)
    assert prior.drawn(300.0, 1000.0) == pytest.approx(0.3, rel=0.01)


@dataclass(frozen=True)
class Desk:
    """A store, with reports made up for it."""

    store: Store
    as_of: int

    def register(self, told: Sequence[tuple[str, float]]) -> Register:
        """Return the register with more reports: light, and nights ago."""
        known = Known(self.store, self.as_of)
        usual = known.reports
        rows = pd.DataFrame(
            [
                {
                    **dict.fromkeys(usual.select_dtypes(object).columns, ""),
                    "report_id": f"Z{i}",
                    "light_id": light,
                    "longitude": np.nan,
                    "latitude": np.nan,
                    "symptom": "out",
                    "named": True,
                    "happened": self.as_of - round(ago * DAY),
                }
                for i, (light, ago) in enumerate(told)
            ]
        )
        vars(known)["reports"] = pd.concat([usual, rows], ignore_index=True)
        return Register(known)


@pytest.fixture(scope="module")
def chained(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("chained")
    store = new_store(folder)
    take_in(store, chain(folder / "town"))
    return Desk(store, default_as_of(store))


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    register = bare_town(tmp_path_factory.mktemp("bare"), on_nights("L119", 1, 31))
    return Desk(register.known.store, register.as_of)


def _never_less(desk: Desk, told: list[tuple[str, float]]) -> None:
    light = told[-1][0]
    before = chance_wrong(desk.register(told[:-1]), light)
    after = chance_wrong(desk.register(told), light)
    assert after >= before - 1e-9


def chance_wrong(register: Register, light: str) -> float:
    """Return the chance that anything is wrong with a light or its feed."""
    for one in triaged(Triage.of(lives(register))):
        if light in one.reported:
            return wrong(one)
    return 0.0


def _told(lights: Sequence[str]) -> st.SearchStrategy[list[tuple[str, float]]]:
    """Give reports of some lights, the last a later one of a light told of."""
    one = st.tuples(st.sampled_from(lights), st.floats(3.0, 60.0))

    def again(rows: list[tuple[str, float]]) -> st.SearchStrategy[Any]:
        light = rows[0][0]
        last = min(ago for name, ago in rows if name == light)
        return st.floats(0.1, last - 0.1).map(lambda ago: [*rows, (light, ago)])

    return st.lists(one, min_size=1, max_size=5).flatmap(again)


@settings(max_examples=6, deadline=None)
@given(data=st.data())
def test_a_further_report_never_speaks_for_nothing_there(
    chained: Desk, data: st.DataObject
) -> None:
    told = data.draw(_told([*(f"L{i}" for i in range(1, 11)), "C2L3", "C2L4"]))
    _never_less(chained, told)


@settings(max_examples=6, deadline=None)
@given(data=st.data())
def test_nor_does_it_where_all_is_assumed(bare: Desk, data: st.DataObject) -> None:
    told = data.draw(_told(["L40", "L41", "L42", "L60", "L61", "L7"]))
    _never_less(bare, told)


@pytest.fixture(scope="module")
def village(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    store = open_store(small_city(tmp_path_factory.mktemp("village")))
    return Desk(store, default_as_of(store))


@settings(max_examples=3, deadline=None)
@given(data=st.data())
def test_nor_does_it_where_rates_are_learned(
    village: Desk, data: st.DataObject
) -> None:
    lights = [f"L{i:06d}" for i in (38, 40, 41, 100, 101, 150)]
    told = data.draw(_told(lights))
    _never_less(village, told)
