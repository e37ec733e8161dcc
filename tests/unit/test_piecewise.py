"""Lexis cells, the weather fit, and what it does with months it does not know."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.rates.cells import Cells, cells
from lightwatch.rates.delays import DAYS_PER_MONTH, monthly_delays
from lightwatch.rates.piecewise import fit_hazard
from lightwatch.rates.splines import spline_for
from lightwatch.rates.weather_model import HazardModel
from tests.bench.weather_speed import expand, ours, stock
from tests.recovery.weather_study import (
    DELAY_MONTHS,
    LEVEL_EFFECT,
    MONTHS,
    Town,
    base_hazard,
    delay_table,
    town,
)

Floats = npt.NDArray[np.float64]


def town_cells(one: Town, at: Floats, delay_months: int = 1) -> Cells:
    return cells(
        one.birth,
        one.entry,
        np.minimum(at, MONTHS),
        at < MONTHS,
        one.group,
        n_months=MONTHS,
        n_groups=9,
        delay_class=one.symptom,
        delay_months=delay_months,
    )


def fit(one: Town, made: Cells, **options: Any) -> HazardModel:
    return fit_hazard(
        made, one.weather, station=one.station, level=one.level, **options
    )


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 40))
def test_cells_hold_what_rows_per_life_and_month_would(seed: int, lives: int) -> None:
    rng = np.random.default_rng(seed)
    birth = rng.integers(-20, 11, lives)
    entry = np.maximum(birth, 0) + rng.random(lives)
    leave = entry + rng.exponential(5, lives)
    failed = (rng.random(lives) < 0.5) & (leave < 12)
    group, weight = rng.integers(0, 3, lives), rng.uniform(0.5, 2, lives)
    made = cells(
        birth, entry, leave, failed, group, n_months=12, n_groups=3, weight=weight
    )
    rows = np.zeros(made.shape)
    for i in range(lives):
        for month in range(12):
            part = min(leave[i], month + 1) - max(entry[i], month)
            if part > 0:
                rows[month - birth[i], group[i], month] += part * weight[i]

    assert made.exposure == pytest.approx(rows, abs=1e-9)
    assert made.failures.count.sum() == pytest.approx(weight[failed].sum())


def test_cells_of_two_halves_add_up_to_those_of_the_whole() -> None:
    one, edges = town(3, 2000), [0, 6, 12, 24, 60, 120, 300]
    parts = []
    for chosen in (slice(None), slice(0, 900), slice(900, None)):
        made = cells(
            one.birth[chosen],
            one.entry[chosen],
            np.minimum(one.failed_at[chosen], MONTHS),
            one.failed_at[chosen] < MONTHS,
            one.group[chosen],
            n_months=MONTHS,
            n_groups=9,
            age_edges_months=edges,
        )
        parts.append(made.exposure)
    assert parts[0] == pytest.approx(parts[1] + parts[2], abs=1e-9)


LIT = np.log(1 + 0.35 * np.cos(2 * np.pi * np.arange(MONTHS) / 12))
"""Hours lit by month, against the mean: the nights of a middle latitude."""


@pytest.mark.parametrize("lit", [np.zeros(MONTHS), LIT], ids=["calendar", "burning"])
def test_the_fit_is_that_of_an_independent_program_on_expanded_rows(
    lit: Floats,
) -> None:
    import statsmodels.api as sm

    lives = stock(900, seed=4)
    model = ours(lives, lit)
    rows = expand(lives)
    layout = model.layout
    design = np.column_stack(
        [
            layout.spline.columns(rows.age),
            layout.at_level(rows.group),
            (layout.weather - layout.mean_weather)[
                layout.station[rows.group], rows.month
            ],
        ]
    )
    offset = np.log(rows.exposure) + lit[rows.month]
    found = sm.GLM(
        rows.failed, design, family=sm.families.Poisson(), offset=offset
    ).fit(tol=1e-12)

    assert model.terms == pytest.approx(found.params, abs=1e-6)
    assert np.sqrt(np.diag(model.covariance)) == pytest.approx(found.bse, rel=1e-5)
    exact = found.llf - (rows.failed * np.log(rows.exposure)).sum()
    assert model.log_likelihood == pytest.approx(exact, abs=1e-6)


def marginal(made: Cells, model: HazardModel, delay: Floats, terms: Floats) -> float:
    """Return the log likelihood of what was noticed, failure by failure."""
    layout, known = model.layout, made.failures
    places, _ = layout.places()
    split = model.age_terms
    by_age = layout.spline.columns(made.middle_months)[:, :split] @ terms[:split]
    by_place = places @ terms[split:] + layout.offsets
    by_place = by_place.reshape(made.shape[1:])
    hazard = np.exp(by_age[:, None, None] + by_place)
    share = np.bincount(known.delay_class, known.count) / known.count.sum()
    seen = np.cumsum(share @ delay)
    left = np.minimum(made.shape[2] - 1 - np.arange(made.shape[2]), seen.size - 1)
    total = -(hazard * (made.exposure - made.still_watched * (1 - seen[left]))).sum()
    for i in range(known.count.size):
        chance, gone = 0.0, 0.0
        for month in range(known.first_month[i], known.noticed_month[i] + 1):
            age = max(month - known.birth_month[i], 0)
            rate = hazard[age, known.group[i], month]
            late = delay[known.delay_class[i], known.noticed_month[i] - month]
            chance += rate * np.exp(-gone - rate / 2) * late
            gone += rate
        total += known.count[i] * np.log(chance)
    return float(total - (model_ridge(model) * terms**2).sum() / 2)


def model_ridge(model: HazardModel) -> Floats:
    ridge = np.zeros(model.terms.size)
    ridge[1 : model.age_terms] = 1.5**-2
    ridge[model.age_terms + 1 : model.age_terms + model.layout.levels] = 1.5**-2
    return ridge


@pytest.mark.parametrize("lit", [None, LIT], ids=["calendar", "burning"])
def test_latent_months_reach_the_top_of_the_likelihood_with_its_own_curvature(
    lit: Floats | None,
) -> None:
    """Score zero, and errors by Louis' identity equal to the numeric Hessian's."""
    one, delay = town(5, 900), delay_table()
    made = town_cells(one, one.noticed_at, DELAY_MONTHS)
    model = fit(one, made, delay=delay, offset=lit)
    step, size = 1e-3, model.terms.size
    which = [0, model.age_terms, size - 2, size - 1]
    information = np.linalg.inv(model.covariance)

    def at(*moves: tuple[int, float]) -> float:
        terms = model.terms.copy()
        for place, by in moves:
            terms[place] += by
        return marginal(made, model, delay, terms)

    top = at()
    prior = (model_ridge(model) * model.terms**2).sum() / 2
    assert model.log_likelihood == pytest.approx(top + prior, abs=1e-6)
    for place in which:
        width = step * np.sqrt(model.covariance[place, place]) * 10
        up, down = at((place, width)), at((place, -width))
        assert abs(up - down) / (2 * width) < 1e-3 * np.sqrt(information[place, place])
        curve = -(up - 2 * top + down) / width**2
        assert curve == pytest.approx(information[place, place], rel=2e-3)


def test_failures_seen_at_once_are_failures_of_known_month() -> None:
    one = town(6, 3000)
    one = replace(one, entry=np.floor(one.entry))
    middle = np.floor(one.failed_at) + 0.5
    known = fit(one, town_cells(one, middle))
    latent = fit(one, town_cells(one, middle, 3), delay=[[1.0, 0, 0], [1.0, 0, 0]])

    ages = np.array([0.2, 2.0, 9.0])
    known_at, latent_at = known.hazard(ages, 4), latent.hazard(ages, 4)
    assert latent_at.per_year == pytest.approx(known_at.per_year, rel=1e-6)
    assert latent_at.high_per_year == pytest.approx(known_at.high_per_year, rel=1e-6)
    for name in ("freeze_thaw", "wet"):
        expected = known.log_ratio(name)
        assert latent.log_ratio(name) == pytest.approx(expected, rel=1e-6)


def test_a_light_seen_lit_narrows_the_months_in_which_it_may_have_failed() -> None:
    common = {"n_months": 30, "delay_months": 12}
    wide = cells([0], [0.0], [20.4], [True], [0], **common)
    narrow = cells([0], [0.0], [20.4], [True], [0], earliest_month=[17], **common)

    assert wide.failures.first_month.tolist() == [9]
    assert narrow.failures.first_month.tolist() == [17]
    assert narrow.exposure.sum() == 17


def test_a_gap_in_the_weather_is_left_out_and_shown_never_filled_with_zero() -> None:
    one = town(7, 4000)
    made = town_cells(one, one.failed_at)
    with_gap, with_zero = one.weather.copy(), one.weather.copy()
    with_gap[1, 10:16] = np.nan
    with_zero[1, 10:16] = 0.0
    model = fit(replace(one, weather=with_gap), made)
    zero = fit(replace(one, weather=with_zero), made)
    here = (one.station[one.group] == 1) & (one.failed_at >= 10) & (one.failed_at < 16)

    assert [(gap.station, gap.month) for gap in model.gaps] == [
        (1, month) for month in range(10, 16)
    ]
    assert sum(gap.failures for gap in model.gaps) == here.sum()
    lost = made.exposure[:, 3:6, 10:16].sum()
    assert sum(gap.unit_months for gap in model.gaps) == pytest.approx(lost)
    assert model.unit_months == pytest.approx(made.exposure.sum() - lost)
    value, error = model.log_ratio("freeze_thaw")
    assert abs(value - 0.05) < 3 * error
    assert zero.log_ratio("freeze_thaw")[0] != pytest.approx(value, abs=1e-3)
    with pytest.raises(NotUnderstood, match="no weather"):
        model.hazard(2.0, group=4, month=12)


def test_latent_failures_are_shared_into_gaps_too() -> None:
    one = town(7, 4000)
    with_gap = one.weather.copy()
    with_gap[:, 40:44] = np.nan
    made = town_cells(one, one.noticed_at, DELAY_MONTHS)
    model = fit(replace(one, weather=with_gap), made, delay=delay_table())
    fallen = (one.failed_at >= 40) & (one.failed_at < 44) & (one.noticed_at < MONTHS)

    left_out = sum(gap.failures for gap in model.gaps)
    assert left_out == pytest.approx(fallen.sum(), rel=0.3)
    everything = made.failures.count.sum()
    assert model.failures + left_out == pytest.approx(everything, abs=1e-6)
    value, error = model.log_ratio("freeze_thaw")
    assert abs(value - 0.05) < 3 * error


def test_early_failures_and_wear_out_both_show_in_the_hazard() -> None:
    one = town(8, 40_000)
    model = fit(one, town_cells(one, one.failed_at))
    ages = np.array([0.1, 0.5, 1.0, 3.0, 6.0, 10.0, 15.0])
    found = model.hazard(ages, group=0)
    truth = 12 * base_hazard(12 * ages - 0.5)

    assert found.per_year == pytest.approx(truth, rel=0.2)
    assert found.per_year[0] > found.per_year[2] < found.per_year[-1]
    for level in (1, 2):
        value, error = model.log_level(level)
        assert abs(value - LEVEL_EFFECT[level]) < 3 * error


def test_a_month_with_more_frost_has_the_hazard_that_the_ratio_says() -> None:
    one = town(8, 4000)
    model = fit(one, town_cells(one, one.failed_at))
    days = one.weather[0] - one.weather.mean(axis=(0, 1))
    both = [model.ratio(name).per_day for name in ("freeze_thaw", "wet")]
    apart = model.hazard(3.0, 0, month=5).per_year / model.hazard(3.0, 0).per_year

    assert apart[0] == pytest.approx(np.prod(np.power(both, days[5])))
    ratio = model.ratio("wet", confidence=0.9)
    assert ratio.low < ratio.per_day < ratio.high


@pytest.mark.parametrize("lit", [None, LIT], ids=["calendar", "burning"])
def test_expected_failures_add_up_to_those_seen(lit: Floats | None) -> None:
    one = town(9, 6000)
    made = town_cells(one, one.failed_at)
    model = fit(one, made, ridge_sd=None, offset=lit)
    seen = np.bincount(one.level[made.failures.group], minlength=3)
    by_level = [model.expected(made)[one.level == level].sum() for level in range(3)]

    assert by_level == pytest.approx(seen, rel=1e-6)


def test_a_month_lit_longer_has_the_hazard_that_its_hours_say() -> None:
    one = town(9, 6000)
    model = fit(one, town_cells(one, one.failed_at), offset=LIT)
    month = int(np.argmax(LIT))
    days = one.weather[one.station[4], month] - one.weather.mean(axis=(0, 1))
    names = ("freeze_thaw", "wet")
    weather = days @ np.array([model.log_ratio(name)[0] for name in names])
    ratio = model.hazard(2.0, 4, month).per_year / model.hazard(2.0, 4).per_year

    assert np.log(ratio) == pytest.approx(weather + LIT[month], abs=1e-9)


@pytest.mark.parametrize("offset", [np.zeros(3), np.full(MONTHS, -np.inf)])
def test_an_offset_that_does_not_fit_is_refused(offset: Floats) -> None:
    one = town(9, 6000)
    with pytest.raises(NotUnderstood, match=f"each of {MONTHS} months"):
        fit(one, town_cells(one, one.failed_at), offset=offset)


def test_too_few_failures_are_refused_with_the_number() -> None:
    made = cells([0] * 5, [0.0] * 5, [7.5] * 5, [True] * 5, [0] * 5, n_months=12)
    with pytest.raises(NotEnoughEvidence, match="5 failures"):
        fit_hazard(made, np.ones((1, 12, 2)))


def test_weather_that_never_varies_is_refused() -> None:
    one = town(9, 2000)
    flat = replace(one, weather=np.full_like(one.weather, 4.0))
    with pytest.raises(NotEnoughEvidence, match="varies"):
        fit(flat, town_cells(one, one.failed_at))


def test_latent_cells_ask_for_a_delay_table_of_their_width() -> None:
    one = town(9, 1000)
    made = town_cells(one, one.noticed_at, DELAY_MONTHS)
    for delay in (None, [[0.5, 0.5]]):
        with pytest.raises(NotUnderstood):
            fit(one, made, delay=delay)


def test_a_straight_line_in_log_age_needs_no_knots() -> None:
    spline = spline_for(np.arange(4.0), np.ones(4))
    assert spline.columns(np.arange(4)).shape == (4, 1)


def test_the_spline_is_straight_in_log_age_beyond_its_knots() -> None:
    spline = spline_for(np.arange(300.0), np.ones(300))
    beyond = np.exp(np.linspace(np.log(200), np.log(290), 7)) - 0.5
    assert np.diff(spline.columns(beyond), n=2, axis=0) == pytest.approx(0, abs=1e-9)


def test_monthly_delays_are_those_of_a_random_day_of_the_month() -> None:
    mean = 40.0
    days = np.arange(0, 1500)
    found = monthly_delays(1 - np.exp(-days / mean), 12)[0]
    rng = np.random.default_rng(1)
    into = rng.random(400_000)
    months = np.floor(into + rng.exponential(mean / DAYS_PER_MONTH, into.size))

    drawn = np.bincount(months.astype(int), minlength=12)[:12] / into.size
    assert found == pytest.approx(drawn, abs=0.003)


def test_chances_that_fall_with_time_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="rise"):
        monthly_delays([0.5, 0.4], 3)
