"""The odds that a light is out and nobody has said so."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import gamma

from lightwatch.decisions.patrol.chances import (
    Since,
    chance,
    mixed_odds,
    silent_odds,
)
from lightwatch.decisions.patrol.failing import feeding
from lightwatch.decisions.triage.experience import experience
from lightwatch.detection.silence import Silence
from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from tests.small_city import small_city


def odds(lit=0.0, passes=(), at=100.0, hazard=0.001, told=0.02, hit=0.9, start=0.0):
    since = Since(
        np.array([lit]),
        np.array([start]),
        np.zeros(len(passes), dtype=np.int64),
        np.array(passes, dtype=float),
    )
    return silent_odds(since, at, np.array([hazard]), np.array([told]), hit)[0]


def test_without_a_pass_it_is_the_integral_over_the_time_of_failing():
    hazard, told, at = 0.002, 0.03, 150.0
    joint = quad(lambda s: hazard * np.exp(-hazard * s - told * (at - s)), 0, at)[0]
    lit = np.exp(-hazard * at)
    assert odds(at=at, hazard=hazard, told=told) == pytest.approx(joint / lit)


def test_it_is_the_closed_form_of_the_notes_over_the_chance_lit():
    hazard, told, at = 0.002, 0.03, 150.0
    printed = hazard / (told - hazard) * (np.exp(-hazard * at) - np.exp(-told * at))
    assert odds(at=at, hazard=hazard, told=told) == pytest.approx(
        printed / np.exp(-hazard * at)
    )


def test_equal_rates_are_no_special_case():
    assert odds(at=50.0, hazard=0.01, told=0.01) == pytest.approx(0.5, rel=1e-6)
    assert odds(at=50.0, hazard=0.01, told=0.01 + 1e-7) == pytest.approx(0.5, rel=1e-4)


def test_a_pass_that_noted_nothing_multiplies_the_odds_by_what_it_overlooks():
    just_before = odds(at=60.0)
    assert odds(at=60.0 + 1e-9, passes=(60.0,)) == pytest.approx(0.1 * just_before)
    assert odds(at=60.0 + 1e-9, passes=(60.0,), hit=0.0) == pytest.approx(just_before)


def test_passes_one_after_the_other_agree_with_a_step_by_step_reckoning():
    hazard, told, hit = 0.004, 0.015, 0.8
    passes, at = (10.0, 35.0, 36.0, 90.0), 130.0
    state, now = 0.05, 0.0
    for until in (*passes, at):
        growth = hazard - told
        span = np.exp(growth * (until - now))
        state = state * span + hazard * (span - 1) / growth
        state *= (1 - hit) if until in passes else 1.0
        now = until
    got = odds(passes=passes, at=at, hazard=hazard, told=told, hit=hit, start=0.05)
    assert got == pytest.approx(state)


def test_lights_do_not_mix():
    rng = np.random.default_rng(5)
    lit = rng.uniform(0, 50, 40)
    passed = [sorted(rng.uniform(50, 90, rng.integers(0, 4))) for _ in lit]
    together = silent_odds(
        Since(
            lit,
            np.zeros(40),
            np.repeat(np.arange(40), [len(p) for p in passed]),
            np.concatenate(passed),
        ),
        100.0,
        np.full(40, 0.001),
        np.full(40, 0.02),
        0.9,
    )
    alone = [odds(lit=one, passes=p) for one, p in zip(lit, passed, strict=True)]
    assert together == pytest.approx(alone)


def test_simulated_lights_are_out_as_often_as_the_odds_say():
    """200,000 lights, passes at fixed times, those reported or noted left out."""
    rng = np.random.default_rng(6)
    size, hazard, told, hit, at = 200_000, 0.003, 0.01, 0.7, 120.0
    failed = rng.exponential(1 / hazard, size)
    reported = failed + rng.exponential(1 / told, size)
    noted = np.zeros(size, dtype=bool)
    for when in (40.0, 80.0):
        noted |= (failed < when) & (reported > when) & (rng.random(size) < hit)
    silent = (reported > at) & ~noted
    share = float((failed[silent] < at).mean())
    expected = chance(np.array([odds(passes=(40.0, 80.0), at=at, hazard=hazard,
                                     told=told, hit=hit)]))[0]  # fmt: skip
    spread = np.sqrt(expected / silent.sum())
    assert share == pytest.approx(expected, abs=4 * spread)


def test_where_lights_differ_odds_are_the_mean_over_their_rates():
    since = Since(
        np.zeros(1), np.zeros(1), np.zeros(1, dtype=np.int64), np.array([40.0])
    )
    fails, told = np.array([0.002]), np.array([0.03])
    mixed = mixed_odds(since, 100.0, fails, told, 0.9, Silence(1.5, 0.5))[0]
    law = gamma(2.0, scale=0.5)
    each = law.expect(lambda one: odds(passes=(40.0,), hazard=0.002, told=0.045 * one))
    assert mixed == pytest.approx(each, rel=1e-3)
    assert mixed > odds(passes=(40.0,), hazard=0.002, told=0.045)


def test_a_feed_goes_dark_by_its_source_too(tmp_path):
    store = open_store(small_city(tmp_path))
    lived = lives(Register(Known(store, default_as_of(store))))
    lights = lived.register.standing.reset_index(drop=True)
    feed = feeding(lived, lights)
    size = lights.groupby("circuit_id")["light_id"].transform("size")
    known = experience(lived)
    assert (feed["per_year"] >= known.supply_per_year).all()
    most = known.crowd.first * size
    assert (feed["crowd"] <= most + 1e-9).all()
    rate, feeds = known.of_sections.to_dict(), lived.register.feeds
    ways = lights["section_id"].map(
        lambda one: sum(rate.get(above, 0.0) for above in feeds.get(one, ()))
    )
    circuits = lived.register.known.circuits.set_index("circuit_id")
    alone = lights["circuit_id"].map(circuits["control"]) != "group"
    want = known.supply_per_year + ways[alone]
    assert (ways[alone] > 0).any()
    assert feed["per_year"][alone].to_numpy() == pytest.approx(want.to_numpy())
