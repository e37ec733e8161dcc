"""Areas in an invented city: storms are found, and nothing on a quiet morning."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np
import pytest
from scipy.stats import binom

from demo_city import Truth
from lightwatch.decisions.areas import Area, areas
from lightwatch.decisions.areas.alarm import ALARM
from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.together import suspected
from lightwatch.store import Store
from tests.recovery.triage_mornings import judged_at, parameters_for, stored

PARAMETERS = parameters_for(0.57, 3000, storms=12, years=3)
SEED = 1
QUIET = 10
CALM_DAYS = 14


@pytest.fixture(scope="module")
def city() -> Iterator[tuple[Store, Truth]]:
    with stored(PARAMETERS, SEED) as made:
        yield made


def storms(truth: Truth) -> list[tuple[datetime, int]]:
    """Return days on which three supplies or more failed, and how many did."""
    frame = truth.troubles.frame
    failed = frame.loc[frame["kind"] == "supply", "failed_at"].str[:10]
    count = failed.value_counts()
    return sorted((datetime.fromisoformat(d), int(n)) for d, n in count.items()
                  if n >= 3)  # fmt: skip


def areas_at(store: Store, when: datetime) -> list[Area]:
    triage = judged_at(store, when)
    register = triage.register
    return areas(register, suspected(triage.judged(DARKNESS), triage.signs.now))


@pytest.mark.slow
def test_storms_over_many_circuits_are_told_as_areas(city: tuple[Store, Truth]) -> None:
    store, truth = city
    year = timedelta(days=365)
    begun = datetime.combine(PARAMETERS.opened_on, datetime.min.time())
    large = [day for day, n in storms(truth) if n >= 8 and day > begun + year]
    found = 0
    for day in large:
        when = day + timedelta(days=4, hours=6)
        dark = truth.troubles.open_at(when).query("level != 'light'")
        for area in areas_at(store, when):
            true = set(area.circuit_ids) & set(dark["circuit_id"])
            assert len(true) > len(area.circuit_ids) / 2
            found += area.probability > 0.5

    assert len(large) >= 3
    assert found >= len(large) / 2


@pytest.mark.slow
def test_quiet_mornings_have_no_areas(city: tuple[Store, Truth]) -> None:
    store, truth = city
    rng = np.random.default_rng(SEED)
    days = [day for day, _ in storms(truth)]
    quiet, found = 0, 0
    while quiet < QUIET:
        after = timedelta(days=int(rng.integers(365, 365 * 3 - 7)), hours=6)
        when = datetime.combine(PARAMETERS.opened_on, datetime.min.time()) + after
        if any(-1 <= (when - day).days < CALM_DAYS for day in days):
            continue
        quiet += 1
        found += bool(areas_at(store, when))

    assert found <= binom.ppf(0.999, QUIET, ALARM)
