"""The month's figures: percent lit with limits, days to repair, backlog."""

from __future__ import annotations

import numpy as np
import pytest

from lightwatch.decisions.assumptions import Windows
from lightwatch.decisions.service import lit_limits, months
from lightwatch.errors import NotUnderstood
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from reports.papers.desk import Desk
from tests.small_city import small_city


@pytest.mark.parametrize(
    ("out", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (1, 29, 0.0061, 0.1718)],
)
def test_limits_of_lights_that_go_dark_alone_are_wilsons(out, of, low, high):
    """R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, table I, method 3.

    From memory; shares there are of events, ours of lights lit.
    """
    dark = np.repeat([1.0, 0.0], [out, of - out])
    share, lit_low, lit_high = lit_limits(np.ones(of), dark)
    assert 1 - share == pytest.approx(out / of)
    assert 1 - lit_high == pytest.approx(low, abs=6e-4)
    assert 1 - lit_low == pytest.approx(high, abs=6e-4)


def test_with_none_dark_the_limit_is_the_rule_of_three():
    """The exact upper limit is 1 - (a/2)^(1/n); common practice, 3.7/n at 97.5 %."""
    share, low, high = lit_limits(np.full(10, 10.0), np.zeros(10))
    assert (share, high) == (1.0, 1.0)
    assert low == pytest.approx(0.025 ** (1 / 100))


def test_lights_that_go_dark_together_widen_the_limits():
    passes = np.full(50, 10.0)
    spread, heaped = np.ones(50), np.repeat([10.0, 0.0], [5, 45])
    _, low, high = lit_limits(passes, spread)
    _, wide_low, wide_high = lit_limits(passes, heaped)
    assert wide_high - wide_low > 2 * (high - low)


def test_limits_hold_the_truth_as_often_as_they_say():
    """1,000 worlds of 80 roads whose lights hang together; seeded."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(1000):
        dark = rng.binomial(12, rng.beta(1.2, 20.0, 80))
        _, low, high = lit_limits(np.full(80, 12.0), dark.astype(float))
        held += low <= 1 - 1.2 / 21.2 <= high
    assert 0.93 <= held / 1000 <= 0.97


def test_a_window_is_a_number_of_days():
    with pytest.raises(NotUnderstood, match="above 0"):
        Windows(feed=0)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    store = open_store(small_city(tmp_path_factory.mktemp("city")))
    return Desk(Register(Known(store, default_as_of(store))))


def test_a_year_of_months_adds_up_to_what_is_on_record(desk: Desk):
    asked = desk.months(count=12)
    found = months(desk.register, asked)
    known, (_, start, _), (_, _, end) = desk.known, asked[0], asked[-1]
    for name, frame in (("reports", known.reports), ("visits", known.repairs)):
        inside = (frame["happened"] >= start) & (frame["happened"] < end)
        assert sum(getattr(one, name) for one in found) == inside.sum()
    done = [one for month in found for one in month.done]
    assert sum(one.jobs for one in done) > 0
    for one in done:
        if one.median is not None and one.ninetieth is not None:
            assert 0 <= one.median <= one.ninetieth


def test_what_is_open_now_is_in_the_backlog(desk: Desk):
    (now,) = months(desk.register, [("now", 0, desk.known.as_of)])
    from lightwatch.decisions.triage.signs import Signs

    told = Signs.of(desk.register).open
    assert sum(one.open for one in now.backlog) == told["light_id"].nunique()
