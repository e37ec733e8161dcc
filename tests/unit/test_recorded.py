"""What share of failures is on record, and how rates and lives are raised by it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lightwatch.decisions.grounds import grounds
from lightwatch.lives import lives
from lightwatch.nights import DAY
from lightwatch.rates import RateRow, rates
from lightwatch.rates.poisson import Rate, exact_rate, widened
from lightwatch.rates.weibull import fit_weibull
from lightwatch.rates.weighed import apart
from lightwatch.register import Register
from lightwatch.register.recorded import Recorded, Share, law_of_delays, recorded
from tests.packages import take_in, write_package


def town(folder: Path, lost: int, kept: int = 30, late_days: int = 0) -> Register:
    """Twenty lights; a lamp a week, of which some name only the circuit."""
    names = [f"L{i:02}" for i in range(20)]
    lights = [
        {"light_id": name, "longitude": 2 + i / 1000, "latitude": 48.0,
         "circuit_id": "C1"}
        for i, name in enumerate(names)
    ]  # fmt: skip
    repairs = []
    created = np.datetime64("2024-01-01") + 7 * (lost + kept)
    for i in range(lost + kept - late_days // 7):
        day = np.datetime64("2024-01-01") + 7 * i
        where = {"circuit_id": "C1"} if i < lost else {"light_id": names[i % 20]}
        repairs.append(
            {"repair_id": f"W{i:03}", "performed_at": f"{day}T10:00",
             "recorded_at": f"{day + late_days}T11:00", "cause": "lamp",
             "component": "lamp", "action": "replaced", **where}
        )  # fmt: skip
    tables = {"lights": lights, "circuits": [{"circuit_id": "C1", "control": "own"}],
              "components": [{"light_id": name, "kind": "lamp"} for name in names],
              "repairs": repairs}  # fmt: skip
    package = write_package(
        folder, tables, created=f"{created}T00:00:00Z", opened_on="2024-01-01"
    )
    done = take_in(package)
    assert done.outcome.rejects == []
    return done.register


def lamps(register: Register) -> RateRow:
    return next(row for row in rates(lives(register)) if row.kind == "lamp")


def test_a_rate_counts_the_repairs_that_are_on_no_light(tmp_path) -> None:
    row = lamps(town(tmp_path / "town", lost=10))
    assert row.failures == 30
    assert row.rate is not None
    assert row.rate.per_year == pytest.approx(40 / row.unit_years)
    assert row.counted_years == pytest.approx(row.unit_years * 30 / 40)


def test_its_limits_are_wider_than_those_of_chance_alone(tmp_path) -> None:
    row = lamps(town(tmp_path / "town", lost=10))
    assert Share(30, 10).log_sd == pytest.approx(np.sqrt(0.25 / 30))
    plain = exact_rate(30, row.counted_years)
    assert row.rate == widened(plain, np.sqrt(0.25 / 30))
    assert row.rate.low_per_year < plain.low_per_year
    assert row.rate.high_per_year > plain.high_per_year


def test_where_all_name_their_light_nothing_changes(tmp_path) -> None:
    register = town(tmp_path / "town", lost=0)
    assert recorded(register) == Recorded(register.as_of)
    assert (lives(register).frame["weight"] == 1.0).all()
    assert grounds(register, "rates").missing == ()


def test_it_is_said_how_many_name_no_light(tmp_path) -> None:
    register = town(tmp_path / "town", lost=10)
    said = " ".join(grounds(register, "rates").missing)
    assert "10 of 40 of lamps" in said
    assert "10 of 40 of lamps" in " ".join(grounds(register, "lives").missing)


def test_where_none_names_its_light_there_were_at_least_so_many(tmp_path) -> None:
    register = town(tmp_path / "town", lost=10, kept=0)
    assert lamps(register).rate is None
    assert "there were at least these failures" in " ".join(
        grounds(register, "rates").missing
    )


def test_a_watch_counts_for_the_repairs_that_have_come() -> None:
    """Half come at once and half after ten days: the last ten days count for half."""
    known = Recorded(0, {}, (np.array([0.0, 10.0]), np.array([0.5, 0.5])))
    start, end = np.array([-100.0, -10.0, -100.0, -5.0]), np.array([0.0, 0, -20, 0])
    share = known.on_time(start * DAY, end * DAY)
    assert share == pytest.approx([0.95, 0.5, 1.0, 0.5])


def test_delays_are_found_though_the_longest_are_not_yet_on_record() -> None:
    """Means of 20 studies: exponential delays of 10 days, seen for 30 days."""
    rng = np.random.default_rng(3)
    found, naive = [], []
    for _ in range(20):
        at, delay = rng.uniform(0, 90, 3000), rng.exponential(10.0, 3000)
        seen = at + delay < 90
        days, chance = law_of_delays(delay[seen], 90 - at[seen])
        found.append(float(days @ chance))
        naive.append(float(delay[seen].mean()))
    assert np.mean(found) == pytest.approx(10.0, rel=0.03)
    assert np.mean(naive) < 9.3


def test_late_records_shorten_the_watch_and_it_is_said(tmp_path) -> None:
    register = town(tmp_path / "town", lost=0, kept=60, late_days=14)
    assert recorded(register).mean_delay_days == pytest.approx(14, abs=0.1)
    row = lamps(register)
    days = register.as_of / DAY - register.known.opened / DAY
    assert row.counted_years / row.unit_years == pytest.approx(1 - 14 / days, abs=0.002)
    assert "14.0 days late" in " ".join(grounds(register, "rates").missing)


def test_a_life_is_that_of_all_though_a_tenth_of_the_failures_are_not_on_record():
    """The failures seen come at nine tenths of the hazard, so time weighs so much."""
    rng = np.random.default_rng(5)
    entry, leave, failed = [], [], []
    for _ in range(4000):
        age, left = 0.0, 15.0
        while left > 0:
            age = 8.0 * rng.exponential() ** (1 / 2.0)
            on_record = rng.random() < 0.9
            entry.append(0.0)
            leave.append(min(age, left))
            failed.append(age < left and on_record)
            left -= age
    some = np.array(entry), np.array(leave), np.array(failed)
    share = np.ones(len(entry))
    begun, ended, dead, weights = apart(*some, share, 0.9 * share)
    fit = fit_weibull(begun, ended, np.where(dead, ended, np.inf), weights=weights)
    assert fit.scale_years == pytest.approx(8.0, rel=0.03)
    assert fit.shape == pytest.approx(2.0, rel=0.03)


def test_a_rate_of_nothing_keeps_its_upper_limit_and_gets_a_wider_one() -> None:
    wide = widened(Rate(0.0, 0.0, 0.1), 0.2)
    assert wide.per_year == wide.low_per_year == 0.0
    assert wide.high_per_year > 0.1
