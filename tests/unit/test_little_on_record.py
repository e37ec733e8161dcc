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

from lightwatch.decisions.service.jobs import jobs
from lightwatch.decisions.triage import Outage, Triage, triaged
from lightwatch.decisions.triage.apart import Apart, apart
from lightwatch.decisions.triage.experience import experience
from lightwatch.decisions.triage.habits import false_per_night
from lightwatch.decisions.triage.priors import Prior
from lightwatch.decisions.triage.signs import Signs
from lightwatch.lives import lives
from lightwatch.mapview import outage_map
from lightwatch.nights import DAY
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.register.placed import placing
from lightwatch.store import Store, open_store
from reports.explaining import explained
from reports.outages import outages_document, outages_text
from tests.small_city import small_city
from tests.towns import CLOCK, TABLES, little_town, new_store, take_in
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


SCATTERED = "\n".join(
    [
        "light_id,longitude,latitude,technology",
        *(
            f"L{i},{15.64 + i % WIDE / 250:.4f},{47.32 + i // WIDE / 300:.4f},hps"
            for i in range(LIGHTS)
        ),
        "",
    ]
)
"""The lights so far apart that none shares a feed with another."""


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
    found = judged(bare_town(tmp_path, rows, lights=SCATTERED))
    chances = [round(wrong(found[light]), 5) for light in nights]
    assert chances == sorted(chances)
    assert 0.8 < chances[0] < 0.97 < chances[1]
    assert {one.verdict for one in found.values()} == {"single_light"}


def test_years_without_records_are_no_years_without_failures(tmp_path: Path) -> None:
    register = bare_town(tmp_path, on_nights("L3", 1))
    known = experience(lives(register))
    own = known.hazards.groupby("light_id")["per_year"].sum()
    assert len(own) == LIGHTS
    assert (own > 0.014).all()
    rates, seen = false_per_night(register, 0.1)
    assert seen == 0
    assert rates["out"] * 365.25 == pytest.approx(0.6 * 0.1 / 9)


def test_what_is_assumed_gives_way_to_records() -> None:
    prior = Prior(0.1, 1.0)
    assert prior.drawn(0.0, 0.0) == pytest.approx(0.1)
    assert prior.drawn(0.0, 10.0) == pytest.approx(0.05)
    assert prior.drawn(300.0, 1000.0) == pytest.approx(0.3, rel=0.01)


CLOSING = ",closed_at,closed_as,duplicate_of"


def closed(light: str, told: str, at: str, how: str, name: str = "Q1") -> str:
    return f"{name},{told}T20:00,{light},,,out,,{at},{how},"


def test_a_closed_report_is_open_no_more(tmp_path: Path) -> None:
    rows = [
        closed("L3", "2019-12-20", "2019-12-22T10:00", "repaired", "Q1"),
        closed("L30", "2019-12-20", "2019-12-22T10:00", "nothing_found", "Q2"),
        closed("L60", "2019-12-20", "2019-12-22T10:00", "not_ours", "Q3"),
        closed("L90", "2019-12-20", "", "", "Q4"),
    ]
    register = bare_town(tmp_path, rows, CLOSING)
    triage = Triage.of(lives(register))
    assert list(triage.troubles["report_id"]) == ["Q4"]
    assert apart(triage.signs).passed_on == 1
    [job] = jobs(register).itertuples()
    assert (job.light_id, round(job.mended - job.noticed, 2)) == ("L3", 1.58)


def test_a_closing_counts_from_its_own_day(tmp_path: Path) -> None:
    rows = [closed("L3", "2019-12-20", "2019-12-22T10:00", "repaired")]
    known = bare_town(tmp_path, rows, CLOSING).known
    before = Register(Known(known.store, CLOCK.instant("2019-12-22T09:00")))
    after = Register(Known(known.store, CLOCK.instant("2019-12-22T11:00")))
    assert len(Signs.of(before).open) == 1
    assert len(Signs.of(after).open) == 0


def test_told_of_again_soon_after_it_was_closed_is_said_and_believed(
    tmp_path: Path,
) -> None:
    again = "Q9,2019-12-25T10:00,{},,,out,,,,"
    rows = [
        closed("L3", "2019-12-20", "2019-12-22T10:00", "repaired"),
        again.format("L3"),
        again.format("L30").replace("Q9", "Q8"),
    ]
    found = judged(bare_town(tmp_path, rows, CLOSING))
    said = "L3 was reported again 3 days after it was closed as repaired"
    assert said in found["L3"].why
    assert wrong(found["L3"]) > wrong(found["L30"])


def test_a_duplicate_is_a_further_report_of_the_light_of_its_original(
    tmp_path: Path,
) -> None:
    rows = [
        "Q1,2019-12-20T20:00,L3,,,out,,,,",
        "Q2,2019-12-22T20:00,,15.6481,47.3200,out,,2019-12-23T08:00,duplicate,Q1",
        "Q3,2019-12-20T20:00,L30,,,out,,,,",
    ]
    found = judged(bare_town(tmp_path, rows, CLOSING))
    assert sorted(found) == ["L3", "L30"]
    assert wrong(found["L3"]) > wrong(found["L30"]) + 0.03


def test_a_repair_that_names_only_a_report_is_at_its_light(tmp_path: Path) -> None:
    known = bare_town(tmp_path, on_nights("L3", 2)).known
    usual = known.repairs
    done = dict.fromkeys(usual.columns, "") | {
        "report_id": "QL3-0",
        "action": "repaired",
        "happened": CLOCK.instant("2019-12-29T10:00"),
        "named": False,
        "volts": np.nan,
    }
    vars(known)["repairs"] = pd.DataFrame([done])[list(usual.columns)]
    assert len(Signs.of(Register(known)).open) == 0


FAR = [
    "Q1,2019-12-28T20:00,,15.6402,47.3200,out,",
    "Q2,2019-12-28T20:00,,15.7000,47.3200,out,",
    "Q3,2019-12-28T20:00,,0,0,out,",
]


def drawn(register: Register, beside: Apart) -> str:
    known = register.known
    return outage_map(
        [],
        register.standing,
        known.sections,
        register.circuits,
        known.roads,
        as_of=known.clock.at(known.as_of),
        place="a town",
        method="by hand",
        far=beside.far,
    )


def test_a_report_far_from_any_light_is_told_and_put_on_none(tmp_path: Path) -> None:
    register = bare_town(tmp_path, FAR)
    found = judged(register)
    assert sorted(found) == ["L0"]
    how = placing(register)
    assert (how.named, how.near, how.far, how.within_m) == (0, 1, 2, 60.0)
    beside = apart(Signs.of(register))
    assert [one.report_id for one in beside.far] == ["Q2", "Q3"]
    document = outages_document("2020-01-01T00:00:00+01:00", [], beside)
    assert document["no_light_near"][0]["nearest"] == "L19"
    text = " ".join(
        outages_text(
            "2020-01-01T00:00:00+01:00", list(found.values()), beside=beside
        ).split()
    )
    assert "2 open reports have no light within 60 m, so they are put on none" in text
    assert "Q2 (out, 3.8 km from L19)" in text
    page = drawn(register, beside)
    assert "reports with no light near: 2" in page
    assert '"Q2 (out, 3.8 km from L19)"' in page
    assert 'data-base="far"' in page
    assert 'data-base="far"' not in drawn(register, Apart())


def test_how_near_is_near_can_be_set_and_follows_the_spacing(tmp_path: Path) -> None:
    register = bare_town(tmp_path, FAR)
    assert placing(Register(register.known, near_m=5_000.0)).near == 2
    sparse = "\n".join(
        [
            "light_id,longitude,latitude,technology",
            *(f"L{i},{15.64 + 0.003 * i:.4f},47.32,led" for i in range(30)),
            "",
        ]
    )
    wide = bare_town(tmp_path / "sparse", FAR[:1], lights=sparse)
    assert placing(wide).within_m == pytest.approx(226, abs=2)


def test_verdicts_stay_what_they_were_when_the_records_ended(tmp_path: Path) -> None:
    daily = [
        f"QX{i},2019-{10 + i // 28}-{1 + i % 28:02d}T20:00,L{60 + i % 40},,,out,"
        for i in range(3 * 28)
    ]
    rows = [*on_nights("L3", 1), *on_nights("L30", 3), *daily]
    known = bare_town(tmp_path, rows, lights=SCATTERED).known
    chances = []
    for months in (1, 12, 24):
        register = Register(Known(known.store, known.as_of + months * 31 * DAY))
        found = judged(register)
        chances.append([wrong(found[light]) for light in ("L3", "L30")])
        beside = apart(Signs.of(register))
        text = outages_text(
            register.known.clock.written(register.as_of), [], beside=beside
        )
        assert "No report of any light since 28 Dec 2019" in " ".join(text.split())
    assert chances[1] == pytest.approx(chances[0], abs=1e-9)
    assert chances[2] == pytest.approx(chances[0], abs=1e-9)
    assert min(chances[0]) > 0.8


def test_what_is_assumed_is_told_apart_from_what_is_learned(tmp_path: Path) -> None:
    register = bare_town(tmp_path / "bare", on_nights("L3", 1))
    text = explained(experience(lives(register)))
    [own] = [row for row in text.splitlines() if "without parts on record, led" in row]
    assert "0.0150 1/year" in own
    assert "assumed (between 0.3 % a year" in own
    assert "learned" not in text
    store = new_store(tmp_path)
    take_in(store, chain(tmp_path / "town"))
    lived = lives(Register(Known(store, default_as_of(store))))
    assert "learned from 12 records" in explained(experience(lived))


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
                    "closed": np.nan,
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
