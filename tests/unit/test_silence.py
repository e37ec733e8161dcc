"""How long lights stay dark with nobody saying so."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import gamma

from lightwatch.detection.silence import LEAST, Firsts, Silence, fitted, untold

SPREADS = (0.2, 0.6, 1.0, 2.0)
SMALL = 0.003


def mean_over_lights(rate, spread, days):
    """Return the chance of no report, lights drawn from the gamma distribution."""
    law = gamma(1 / spread, scale=spread)
    return law.expect(lambda one: np.exp(-one * rate * days))


@pytest.mark.parametrize("spread", SPREADS)
def test_silence_is_that_of_a_single_rate_averaged_over_lights(spread):
    silent, _ = untold(np.array([0.05]), spread, np.array([40.0]))
    assert silent[0] == pytest.approx(mean_over_lights(0.05, spread, 40.0), rel=1e-6)


@pytest.mark.parametrize("spread", SPREADS)
def test_time_untold_is_the_integral_of_silence(spread):
    def silent(day):
        return float(untold(np.array([0.05]), spread, np.array([day]))[0][0])

    _, area = untold(np.array([0.05]), spread, np.array([120.0]))
    assert area[0] == pytest.approx(quad(silent, 0, 120.0)[0], rel=1e-8)


@pytest.mark.parametrize("spread", [SMALL, *SPREADS])
def test_the_nodes_have_the_mean_and_the_variance_of_the_lights(spread):
    rates, shares = Silence(1.3, spread).rates
    assert shares.sum() == pytest.approx(1.0)
    assert (shares * rates).sum() == pytest.approx(1.3)
    assert (shares * rates**2).sum() == pytest.approx(1.3**2 * (1 + spread))


def test_without_spread_there_is_one_rate():
    rates, shares = Silence(1.3, LEAST).rates
    assert rates.tolist() == [1.3]
    assert shares.tolist() == [1.0]


def drawn(pace, spread, hit, *, lights=40_000, rate=0.03, seed=1):
    """Fail lights between night patrols, and note what comes first."""
    rng = np.random.default_rng(seed)
    gap = rng.exponential(90.0, lights) + 5.0
    own = pace * rate * rng.gamma(1 / max(spread, 1e-9), spread, lights)
    failed = rng.uniform(0, 1, lights) * gap
    told = failed + rng.exponential(1 / own)
    missed = rng.geometric(hit, lights) - 1
    seen = gap * (missed + 1)
    at = np.minimum(told, seen)
    last = np.where(told < seen, np.floor(at / gap), missed) * gap
    return Firsts(gap, at - last, seen <= told, np.full(lights, rate))


@pytest.mark.parametrize(("pace", "spread"), [(1.0, 0.3), (1.6, 0.6), (0.7, 1.5)])
def test_pace_and_spread_are_found_again(pace, spread):
    found = fitted(drawn(pace, spread, 0.9), 0.9)
    assert found.pace == pytest.approx(pace, rel=0.08)
    assert found.spread == pytest.approx(spread, rel=0.2)


def test_lights_that_are_alike_have_no_spread():
    found = fitted(drawn(1.0, 1e-3, 0.95), 0.95)
    assert found.pace == pytest.approx(1.0, rel=0.04)
    assert found.spread < 0.03


def test_where_no_patrol_found_any_rates_are_as_places_tell():
    some = drawn(2.0, 0.5, 0.9, lights=50)
    only_told = Firsts(some.gap, some.after, np.zeros(50, dtype=bool), some.rate)
    assert fitted(only_told, 0.9) == Silence()


def test_a_few_troubles_move_little():
    found = fitted(drawn(3.0, 0.3, 0.9, lights=4), 0.9)
    assert 0.7 < found.pace < 2.0
