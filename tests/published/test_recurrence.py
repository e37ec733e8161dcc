"""Mean cumulative function, trend tests and power law against published examples."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from lightwatch.rates.recurrence import Histories, histories, mean_cumulative
from lightwatch.rates.trend import laplace, log_times, power_law
from tests.published.printed import printed

NELSON = (
    "Nelson, Technometrics 37 (1995), 147-157; Meeker & Escobar, Statistical Methods "
    "for Reliability Data, example 16.1-2; first rows from memory"
)
R_SURVIVAL = (
    "valveSeat of R's survival 3.5-3, mean computed there (shared/methods/trade)"
)
FIVE_SYSTEMS = (
    "documentation of the Python package reliability, 'Mean cumulative function' "
    "(docs/Mean cumulative function.rst): five systems, one-sided 95 % limits"
)
NIST = (
    "NIST/SEMATECH e-Handbook 8.2.3.4 data; expected computed by independent programs"
)
ASCHER = "Ascher & Feingold, Repairable Systems Reliability (1984); from memory"
CROW_40 = "Crow 1974; MIL-HDBK-189 (1981), 40 failures to 3256.3; from memory"
CROW_3 = (
    "Crow 1974, three systems to 200 hours, simulated with shape .5; also in "
    "MIL-HDBK-189; data and estimates from memory"
)


def one(times: list[float], end: float) -> Histories:
    return histories([end], [0] * len(times), times)


def valve_seats() -> Histories:
    path = Path(__file__).parent / "data" / "valve_seat.csv"
    with path.open(encoding="utf-8") as lines:
        rows = [(r["id"], float(r["time"]), r["status"]) for r in csv.DictReader(lines)]
    names = sorted({name for name, _, _ in rows})
    last = [max(time for name, time, _ in rows if name == one) for one in names]
    failed = [(names.index(name), time) for name, time, status in rows if status == "1"]
    unit, age = zip(*failed, strict=True)
    return histories(last, unit, age)


def test_valve_seats_have_the_printed_first_means_and_errors() -> None:
    found = mean_cumulative(valve_seats())

    assert found.age[:2].tolist() == [61, 76]
    assert found.mean[0] == printed("0.024", NELSON)
    assert found.error[0] == printed("0.024", NELSON)
    assert found.mean[1] == printed("0.049", NELSON)
    assert found.error[1] == printed("0.034", NELSON)
    at_621 = int(np.flatnonzero(found.age == 621)[0])
    assert found.mean[at_621] == pytest.approx(1.1185422144117307, abs=1e-12)
    assert found.error[at_621] == pytest.approx(0.20750288323872437, abs=1e-12)


@pytest.mark.parametrize(
    ("age", "mean"),
    [(100, "0.1463"), (200, "0.2677"), (400, "0.6580"), (600, "1.0137")],
)
def test_valve_seats_have_the_means_of_an_independent_program(
    age: float, mean: str
) -> None:
    ours, low, high = mean_cumulative(valve_seats()).at(age)

    assert ours == pytest.approx(float(mean), abs=0.0006), R_SURVIVAL
    assert low < ours < high


def test_all_48_failures_count_two_of_them_on_one_day_of_one_engine() -> None:
    found = mean_cumulative(valve_seats())

    assert found.failures.sum() == 48
    assert found.at_risk[0] == 41
    assert (found.age[-1], found.failures[-1], found.at_risk[-1]) == (653, 2, 9)


FIVE = [[5, 10, 15, 17], [6, 13, 17, 19], [12, 20, 25, 26], [13, 15, 24],
        [16, 22, 25, 28]]  # fmt: skip


def five_systems() -> Histories:
    unit = [i for i, times in enumerate(FIVE) for _ in times[:-1]]
    times = [time for times in FIVE for time in times[:-1]]
    return histories([times[-1] for times in FIVE], unit, times)


@pytest.mark.parametrize(
    ("age", "mean"),
    [
        (5, "0.2"),
        (6, "0.4"),
        (10, "0.6"),
        (12, "0.8"),
        (13, "1.2"),
        (15, "1.6"),
        (16, "1.8"),
        (17, "2"),
        (20, "2.33333"),
        (22, "2.66667"),
        (25, "3.66667"),
    ],
)
def test_five_systems_have_the_printed_means(age: float, mean: str) -> None:
    assert mean_cumulative(five_systems()).at(age)[0] == printed(mean, FIVE_SYSTEMS)


def test_five_systems_have_the_printed_limits_at_their_first_failure() -> None:
    """Later printed variances add up steps as if a system's failures were independent.

    Ours sum within a system first, as Lawless & Nadeau do, so they part from there.
    """
    found = mean_cumulative(five_systems(), confidence=0.90)

    assert found.error[0] ** 2 == printed("0.032", FIVE_SYSTEMS)
    assert found.low[0] == printed("0.0459299", FIVE_SYSTEMS)
    assert found.high[0] == printed("0.870893", FIVE_SYSTEMS)


NIST_TIMES = [5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1299.0, 1478.0]


def test_nist_system_is_getting_better_by_both_tests() -> None:
    history = one(NIST_TIMES, 1500.0)

    assert laplace(history).pooled == printed("-1.327", NIST)
    assert log_times(history).pooled == printed("37.23", NIST)
    assert power_law(history).shape == printed("0.5372", NIST)
    assert log_times(history).pooled_p_value < 0.05 < laplace(history).pooled_p_value


@pytest.mark.parametrize(
    ("gaps", "value"),
    [([15, 27, 32, 43, 51, 65, 177], "-2.0"), ([177, 65, 51, 43, 32, 27, 15], "2.0")],
)
def test_happy_and_sad_systems_lie_two_deviations_apart_from_steady(
    gaps: list[float], value: str
) -> None:
    """Times between failures grow in the happy system and shrink in the sad one."""
    times = np.cumsum(gaps).tolist()
    found = laplace(one(times, times[-1]), ends_at_failure=True)

    assert found.pooled == printed(value, ASCHER)
    assert found.failures.tolist() == [6]


CROW_TIMES = [
    0.7, 3.7, 13.2, 17.6, 54.5, 99.2, 112.2, 120.9, 151.0, 163.0, 174.5, 191.6, 282.8,
    355.2, 486.3, 490.5, 513.3, 558.4, 678.1, 688.0, 785.9, 887.0, 1010.7, 1029.1,
    1034.4, 1136.1, 1178.9, 1259.7, 1297.9, 1419.7, 1571.7, 1629.8, 1702.4, 1928.9,
    2072.3, 2525.2, 2928.5, 3016.4, 3181.0, 3256.3,
]  # fmt: skip


def test_forty_failures_have_the_printed_power_law() -> None:
    found = power_law(one(CROW_TIMES, 3256.3), ends_at_failure=True)

    assert found.shape == printed("0.490", CROW_40)
    assert found.growth == pytest.approx(0.7615, abs=0.001), CROW_40
    assert found.exact
    assert found.expected(3256.3) == pytest.approx(40)


THREE = [
    [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2],
    [0.1, 5.6, 18.6, 19.5, 24.2, 26.7, 45.1, 45.8, 75.7, 79.7, 98.6, 120.1, 161.8,
     180.6, 190.8],
    [8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8],
]  # fmt: skip


def test_three_systems_watched_alike_have_the_printed_power_law() -> None:
    unit = [i for i, times in enumerate(THREE) for _ in times]
    found = power_law(histories([200.0] * 3, unit, np.concatenate(THREE)))

    assert found.shape == printed("0.615", CROW_3)
    assert found.growth == printed("0.461", CROW_3)
    assert found.exact


AIRCRAFT = (
    "Proschan, Technometrics 5 (1963), 375-383: hours between failures of the air "
    "conditioning of aircraft 7910, 7912 and 8044; data from memory, agreeing with a "
    "copy read; expected computed by an independent program"
)
PLANES = {
    "7910": [74, 57, 48, 29, 502, 12, 70, 21, 29, 386, 59, 27, 153, 26, 326],
    "7912": [23, 261, 87, 7, 120, 14, 62, 47, 225, 71, 246, 21, 42, 20, 5, 12, 120, 11,
             3, 14, 71, 11, 14, 11, 16, 90, 1, 16, 52, 95],
    "8044": [487, 18, 100, 7, 98, 5, 85, 91, 43, 230, 3, 130],
}  # fmt: skip


@pytest.mark.parametrize("plane", list(PLANES))
def test_aircraft_have_the_trend_tests_of_an_independent_program(plane: str) -> None:
    from surpyval import CrowAMSAA
    from surpyval.recurrent import laplace as their_laplace
    from surpyval.recurrent import mil_hdbk_189c

    times = np.cumsum(PLANES[plane]).astype(float)
    end = float(times[-1]) + 100
    history = one(times.tolist(), end)
    x, c = np.append(times, end), np.append(np.zeros(times.size), 1)

    theirs = their_laplace(x, c=c)
    assert laplace(history).pooled == pytest.approx(theirs.statistic, abs=1e-6)
    assert laplace(history).pooled_p_value == pytest.approx(theirs.p_value, abs=1e-6)
    theirs = mil_hdbk_189c(x, c=c)
    assert log_times(history).pooled == pytest.approx(theirs.statistic, abs=1e-6)
    found = CrowAMSAA.fit(x, c=c)
    assert power_law(history).shape == pytest.approx(found.params[1], rel=1e-4)


def test_valve_seats_have_the_robust_errors_of_an_independent_program() -> None:
    from surpyval import NonParametricCounting

    history = valve_seats()
    leave = history.exit_age
    x = np.concatenate([history.age, leave])
    unit = np.concatenate([history.unit, np.arange(history.units)])
    c = np.concatenate([np.zeros(history.age.size), np.ones(leave.size)])
    theirs = NonParametricCounting.fit(x, i=unit, c=c)
    ours = mean_cumulative(history)
    place = np.searchsorted(theirs.x, ours.age)

    assert ours.mean == pytest.approx(theirs.mcf_hat[place], abs=1e-9)
    assert ours.error == pytest.approx(np.sqrt(theirs.var[place]), abs=1e-9)
