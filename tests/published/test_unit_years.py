"""Unit-years and rates of published follow-up data, through load, lives and rates.

Each person is a light with one lamp: entering the study is entering service, death (or
relapse) is a lamp that failed and was replaced, and the light is removed at the end of
the follow-up. The package counts whole days, so a month is written as 30 days and a
week as 7: the conversion back is exact.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from lightwatch.lives import Lives, lives
from lightwatch.rates import RateRow, rates
from lightwatch.register import Register
from tests.packages import Table, Taken, take_in, write_package
from tests.published.printed import printed

YEAR_DAYS = 365.25
MONTH_DAYS = 30
WEEK_DAYS = 7
OPENED = date(1960, 1, 1)
AGE_EDGES_YEARS = (0.0, 1.0, 2.0, 5.0, 10.0, 15.0, np.inf)
AGE_BANDS = ("0-1", "1-2", "2-5", "5-10", "10-15", "15+")

HYDE = (
    "J. Hyde, Testing survival with incomplete observations, Biostatistics Casebook "
    "(1980) 31-46; data of Klein & Moeschberger, Survival Analysis, section 1.16, as "
    "R's KMsurv::channing (data/channing.csv)"
)
BOOT = f"manual of R's boot::channing, on {HYDE}"
CHECKED = (
    "rate_exp of weibull_truncated_channing among the published worked examples: "
    "deaths over person-months, agreed by other programs, no printed value seen"
)
SUMMED = "exits less entries, summed from data/channing.csv; no printed value seen"
FREIREICH = (
    "Freireich et al., Blood 21 (1963) 699-716; times as listed in Introductory "
    "Biostatistics (Le; author from memory), example 11.1"
)
KLEINBAUM = (
    "Kleinbaum & Klein, Survival Analysis: A Self-Learning Text, chapter 1, on "
    "the remission data; from memory"
)

SIX_MP = "6 6 6 7 10 13 16 22 23 6+ 9+ 10+ 11+ 17+ 19+ 20+ 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


@dataclass(frozen=True)
class Person:
    """One follow-up, in whole days since the register was opened."""

    group: str
    born: int
    entry: int
    exit: int
    died: bool


def residents(born_months: Callable[[dict[str, str]], int]) -> list[Person]:
    """Return the residents of Channing House on the axis of age, in order.

    ``born_months`` is the age [months] from which a resident's own age is counted.
    """
    path = Path(__file__).parent / "data" / "channing.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    least = 720
    return [
        Person(
            group={"1": "men", "2": "women"}[row["gender"]],
            born=MONTH_DAYS * (born_months(row) - least),
            entry=MONTH_DAYS * (int(row["ageentry"]) - least),
            exit=MONTH_DAYS * (int(row["age"]) - least),
            died=row["death"] == "1",
        )
        for row in rows
    ]


def remissions() -> list[Person]:
    return [
        Person(group, 0, 0, WEEK_DAYS * int(text.rstrip("+")), "+" not in text)
        for group, line in (("6-MP", SIX_MP), ("placebo", PLACEBO))
        for text in line.split()
    ]


def _day(days: int) -> str:
    return (OPENED + timedelta(days)).isoformat()


def _tables(people: Iterable[Person]) -> dict[str, Table]:
    lights, components, repairs = [], [], []
    groups: dict[str, str] = {}
    for i, person in enumerate(people, 1):
        light = f"P{i:03}"
        model = groups.setdefault(person.group, f"lamp {person.group}")
        lights.append(
            {
                "light_id": light,
                "longitude": 15.0 + i * 1e-4,
                "latitude": 47.0,
                "circuit_id": person.group,
                "technology": "hps",
                "in_service": _day(person.entry),
                "removed_on": _day(person.exit - 1),
            }
        )
        components.append(
            {
                "light_id": light,
                "kind": "lamp",
                "model": model,
                "installed_on": _day(person.born),
            }
        )
        if person.died:
            repairs.append(
                {
                    "repair_id": f"R{i:03}",
                    "performed_at": f"{_day(person.exit)}T00:00",
                    "light_id": light,
                    "cause": "lamp",
                    "action": "replaced",
                    "component": "lamp",
                    "fitted_model": model,
                }
            )
    return {
        "models": [
            {"model": model, "kind": "lamp", "type": group}
            for group, model in groups.items()
        ],
        "circuits": [{"circuit_id": group, "feed": "overhead"} for group in groups],
        "lights": lights,
        "components": components,
        "repairs": repairs,
    }


def to_the_end(register: Register) -> Register:
    """Watch until the study ended: its authors followed all to that day.

    A register's records would be taken to end some time after the last repair.
    """
    register.__dict__["watched_until"] = register.as_of
    return register


def followed(folder: Path, people: Iterable[Person]) -> Taken:
    """Write people as a package and take it in."""
    tables = _tables(people)
    return take_in(
        write_package(
            folder,
            tables,
            created="2010-01-01T00:00:00Z",
            opened_on=OPENED.isoformat(),
        )
    )


def lamps(found: Lives, *by: str) -> dict[tuple[str, ...], RateRow]:
    return {
        tuple(row.group[name] for name in by): row
        for row in rates(found, ("kind", *by))
        if row.group["kind"] == "lamp"
    }


def months(row: RateRow) -> float:
    return row.unit_years * YEAR_DAYS / MONTH_DAYS


def weeks(row: RateRow) -> float:
    return row.unit_years * YEAR_DAYS / WEEK_DAYS


@pytest.fixture(scope="module")
def channing(tmp_path_factory: pytest.TempPathFactory) -> Taken:
    """Age counted from 60 years, as if all were put up on the same day."""
    folder = tmp_path_factory.mktemp("channing") / "by_age"
    return followed(folder, residents(lambda row: 720))


@pytest.fixture(scope="module")
def channing_lives(channing: Taken) -> Lives:
    return lives(to_the_end(channing.register))


@pytest.fixture(scope="module")
def stays(tmp_path_factory: pytest.TempPathFactory) -> Lives:
    """Age counted from the day of entry."""
    folder = tmp_path_factory.mktemp("channing") / "by_stay"
    taken = followed(folder, residents(lambda row: int(row["ageentry"])))
    return lives(to_the_end(taken.register))


@pytest.fixture(scope="module")
def leukaemia(tmp_path_factory: pytest.TempPathFactory) -> Lives:
    folder = tmp_path_factory.mktemp("leukaemia") / "remissions"
    return lives(to_the_end(followed(folder, remissions()).register))


def test_those_who_left_on_the_day_they_came_are_rejected_and_told(
    channing: Taken,
) -> None:
    """The copy of the data used here, KMsurv's, has 4 residents whose exit is not
    later than their entry; the manual of asaur::ChanningHouse drops 5 for that."""
    counts = channing.outcome.counts

    assert counts["lights"].read == printed("462", BOOT)
    assert counts["lights"].rejected == counts["components"].rejected == 4
    assert counts["repairs"].rejected == counts["repairs"].warnings == 0
    assert {(r.resource, r.reason) for r in channing.outcome.rejects} == {
        ("lights", "in service after it was removed"),
        ("components", "light_id hangs on a row of lights that was rejected"),
    }


def test_deaths_at_channing_house_are_the_46_men_and_130_women_of_the_book(
    channing_lives: Lives,
) -> None:
    by_sex = lamps(channing_lives, "type")

    assert by_sex["men",].failures == printed("46", BOOT)
    assert by_sex["women",].failures == printed("130", BOOT)


def test_time_at_channing_house_is_the_person_months_of_the_data(
    channing_lives: Lives,
) -> None:
    (whole,) = lamps(channing_lives).values()
    by_sex = lamps(channing_lives, "type")

    assert months(whole) == pytest.approx(37_113, rel=1e-9), SUMMED
    assert months(by_sex["men",]) == pytest.approx(7_144, rel=1e-9), SUMMED
    assert months(by_sex["women",]) == pytest.approx(29_969, rel=1e-9), SUMMED


def test_rate_of_death_at_channing_house_is_what_other_programs_found(
    channing_lives: Lives,
) -> None:
    (whole,) = lamps(channing_lives).values()

    assert whole.rate is not None
    per_month = whole.rate.per_year * MONTH_DAYS / YEAR_DAYS
    assert per_month == pytest.approx(0.0047422735968528544, abs=1e-9), CHECKED


def test_a_rate_asked_by_circuit_is_the_rate_asked_by_type(
    channing_lives: Lives,
) -> None:
    """The circuit is the light's and splits lives where the light changed."""
    by_type = lamps(channing_lives, "type")
    by_circuit = lamps(channing_lives, "circuit")

    assert by_circuit.keys() == by_type.keys()
    for group, row in by_circuit.items():
        assert row.failures == by_type[group].failures
        assert row.unit_years == pytest.approx(by_type[group].unit_years, rel=1e-12)


def test_wiring_is_watched_as_long_as_the_light_and_none_of_it_died(
    channing_lives: Lives,
) -> None:
    (wiring,) = [
        row for row in rates(channing_lives, ("kind",)) if row.group["kind"] == "wiring"
    ]

    assert months(wiring) == pytest.approx(37_113, rel=1e-9), SUMMED
    assert wiring.failures == 0


def test_ignoring_the_age_at_entry_would_have_given_another_time(
    channing_lives: Lives,
) -> None:
    """The contrast: time since 60 years of age is more than twice the time watched."""
    people = [one for one in residents(lambda row: 720) if one.exit > one.entry]
    naive = sum(one.exit for one in people) / MONTH_DAYS
    (whole,) = lamps(channing_lives).values()

    assert naive > 2 * months(whole)


def test_relapses_and_weeks_in_remission_are_those_of_the_textbook(
    leukaemia: Lives,
) -> None:
    by_arm = lamps(leukaemia, "type")
    treated, placebo = by_arm["6-MP",], by_arm["placebo",]

    assert treated.failures == printed("9", KLEINBAUM)
    assert weeks(treated) == pytest.approx(359, rel=1e-9), (KLEINBAUM, FREIREICH)
    assert placebo.failures == printed("21", KLEINBAUM)
    assert weeks(placebo) == pytest.approx(182, rel=1e-9), (KLEINBAUM, FREIREICH)


def test_average_hazard_per_week_is_that_of_the_textbook(leukaemia: Lives) -> None:
    by_arm = lamps(leukaemia, "type")
    for arm, hazard in (("6-MP", "0.025"), ("placebo", "0.115")):
        rate = by_arm[arm,].rate
        assert rate is not None
        assert rate.per_year * WEEK_DAYS / YEAR_DAYS == printed(hazard, KLEINBAUM)


def _lexis_by_counting(people: Iterable[Person]) -> dict[tuple[str, ...], list[float]]:
    """Person-years and deaths by sex and band of age, counted quarter day by quarter
    day: every quarter asks who is there, and how old (bands are whole Julian years,
    365.25 days, so an edge never falls inside a quarter)."""
    last = 60 * 366 * 4
    edges = [int(edge * YEAR_DAYS * 4) if edge < np.inf else last
             for edge in AGE_EDGES_YEARS]  # fmt: skip
    there = {group: np.zeros(last) for group in ("men", "women")}
    deaths: dict[str, list[int]] = {group: [] for group in there}
    for one in people:
        there[one.group][4 * (one.entry - one.born) : 4 * (one.exit - one.born)] += 1
        if one.died:
            deaths[one.group].append(4 * (one.exit - one.born))
    return {
        (group, band): [
            float(there[group][low:high].sum()) / 4 / YEAR_DAYS,
            sum(low < age <= high for age in deaths[group]),
        ]
        for group in there
        for band, low, high in zip(AGE_BANDS, edges, edges[1:], strict=False)
    }


@pytest.mark.parametrize(
    ("axis", "born"),
    [
        ("channing_lives", lambda row: 720),
        ("stays", lambda row: int(row["ageentry"])),
    ],
    ids=["age over 60 with late entry", "years since entry"],
)
def test_years_and_deaths_by_band_of_age_are_those_of_a_lexis_count(
    axis: str, born: Callable[[dict[str, str]], int], request: pytest.FixtureRequest
) -> None:
    counted = _lexis_by_counting(residents(born))
    found = lamps(request.getfixturevalue(axis), "type", "age")

    assert set(found) == {cell for cell, (years, _) in counted.items() if years}
    for cell, row in found.items():
        years, deaths = counted[cell]
        assert row.unit_years == pytest.approx(years, rel=1e-9), cell
        assert row.failures == deaths, cell


@pytest.mark.parametrize("axis", ["channing_lives", "stays"])
def test_bands_of_age_share_out_all_of_the_time_and_all_of_the_deaths(
    axis: str, request: pytest.FixtureRequest
) -> None:
    found = request.getfixturevalue(axis)
    by_age = lamps(found, "age").values()
    (whole,) = lamps(found).values()

    assert sum(row.unit_years for row in by_age) == pytest.approx(
        whole.unit_years, rel=1e-12
    )
    assert sum(row.failures for row in by_age) == printed("176", BOOT)
