"""The Weibull likelihood, its climb, its limits and its refusals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import chi2

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.rates.ages import FloatArray
from lightwatch.rates.newton import Partial, add, maximise
from lightwatch.rates.profile import Fixed, profile
from lightwatch.rates.remaining import mean_remaining
from lightwatch.rates.weibull import Tally, fit_from, fit_weibull, tally
from lightwatch.rates.weibull_blocks import Lives, Scaling, block, scaling_of
from lightwatch.rates.weibull_likelihood import partial
from tests.simulated_lives import Simulated, simulate_lives


def mixed(count: int, seed: int, *, weighted: bool = True) -> Lives:
    """Late lives of every sort: exact, alive, between two ages, before the first."""
    lives = simulate_lives(count, seed, watch_years=25, per_year=12)
    rng = np.random.default_rng(seed + 1)
    sort = rng.integers(0, 3, count)
    low = np.where(lives.failed & (sort == 0), lives.exit_age, lives.low)
    high = np.where(lives.failed & (sort == 0), lives.exit_age, lives.high)
    early = lives.failed & (sort == 2) & (lives.entry_age == 0)
    low = np.where(early, 0.0, low)
    weights = rng.uniform(0.5, 3.0, count) if weighted else None
    return Lives(lives.entry_age, low, high, weights, list(lives.covariates.T))


def plain_log_likelihood(theta: FloatArray, lives: Lives, scaling: Scaling) -> float:
    """Write the likelihood down as the docstring has it, a life at a time."""
    shape = np.exp(theta[0])
    total = 0.0
    for i in range(len(lives.low)):
        x = scaling.standard(np.array([one[i] for one in lives.covariates]))
        level = theta[1] + theta[2:] @ x

        def hazard(age: float, level: float = level) -> float:
            ratio = age / scaling.unit_years
            return float(np.exp(level) * ratio**shape)

        low, high = lives.low[i], lives.high[i]
        if low == high:
            value = np.log(shape / low) + np.log(hazard(low)) - hazard(low)
        else:
            top = np.exp(-hazard(high)) if np.isfinite(high) else 0.0
            value = np.log(np.exp(-hazard(low)) - top)
        value += hazard(lives.entry_age[i])
        total += value * (1.0 if lives.weights is None else lives.weights[i])
    return total


def slopes(function: Callable[[FloatArray], FloatArray], at: FloatArray) -> FloatArray:
    """Return central differences of fourth order."""
    step = 1e-3
    rows = []
    for number in range(len(at)):
        way = np.eye(len(at))[number] * step
        near = function(at + way) - function(at - way)
        far = function(at + 2 * way) - function(at - 2 * way)
        rows.append((8 * near - far) / (12 * step))
    return np.array(rows)


@given(
    st.integers(0, 10_000),
    st.floats(-0.7, 1.2),
    st.floats(-2.5, 0.5),
    st.lists(st.floats(-0.5, 0.5), min_size=4, max_size=4),
)
@settings(max_examples=40, deadline=None)
def test_score_and_information_are_the_slopes_of_the_plain_likelihood(
    seed: int, g: float, level: float, ratios: list[float]
) -> None:
    lives = mixed(40, seed)
    scaling = scaling_of(lives)
    ready = block(lives, scaling)
    theta = np.array([g, level, *ratios])
    share = partial(theta, ready)

    plain = plain_log_likelihood(theta, lives, scaling)
    assert share.log_likelihood == pytest.approx(plain, rel=1e-8, abs=1e-8)
    score = slopes(lambda t: np.array(partial(t, ready).log_likelihood), theta)
    size = max(1.0, float(np.abs(share.score).max()))
    assert share.score == pytest.approx(score, abs=1e-6 * size)
    information = -slopes(lambda t: partial(t, ready).score, theta)
    size = max(1.0, float(np.abs(information).max()))
    assert share.information == pytest.approx(information, abs=1e-6 * size)


@pytest.mark.parametrize("width", [1e-3, 1e-6, 1e-9])
def test_a_narrow_interval_is_the_density_times_its_width(width: float) -> None:
    low = np.array([3.0, 7.0])
    scaling = Scaling(5.0, np.empty(0), np.empty(0))
    theta = np.array([0.4, -0.3])
    zero = np.zeros(2)
    exact = partial(theta, block(Lives(zero, low, low, None, []), scaling))
    narrow = partial(theta, block(Lives(zero, low, low + width, None, []), scaling))
    gap = np.log((low + width) - low).sum()

    assert narrow.log_likelihood - gap == pytest.approx(
        exact.log_likelihood, abs=max(width, 1e-9)
    )
    assert narrow.score == pytest.approx(exact.score, abs=10 * max(width, 1e-9))
    assert narrow.information == pytest.approx(
        exact.information, abs=10 * max(width, 1e-8)
    )


def pieces(lives: Lives, count: int, seed: int) -> list[Lives]:
    """Part the lives at random into unequal groups."""
    owner = np.random.default_rng(seed).integers(0, count, len(lives.low))
    return [
        Lives(
            lives.entry_age[owner == one],
            lives.low[owner == one],
            lives.high[owner == one],
            None if lives.weights is None else lives.weights[owner == one],
            [column[owner == one] for column in lives.covariates],
        )
        for one in range(count)
    ]


@pytest.mark.parametrize("count", [1, 3, 11])
def test_shares_of_parted_lives_add_up_to_the_same_fit(count: int) -> None:
    """What a cluster would do: scale once, add shares and tallies from anywhere."""
    lives = mixed(3000, 7)
    whole = fit_weibull(
        lives.entry_age,
        lives.low,
        lives.high,
        weights=lives.weights,
        covariates=np.column_stack(lives.covariates),
    )
    scaling = scaling_of(lives.part(0, 500))
    blocks = [block(one, scaling) for one in pieces(lives, count, seed=1)]
    seen = sum((tally(one) for one in blocks), Tally(0.0, 0.0, 0.0))
    parted = fit_from(
        lambda theta: add(partial(theta, one) for one in blocks),
        seen,
        scaling,
        whole.names,
    )

    assert parted.shape == pytest.approx(whole.shape, rel=1e-9)
    assert parted.scale_years == pytest.approx(whole.scale_years, rel=1e-9)
    assert parted.coefficients == pytest.approx(whole.coefficients, abs=1e-9)
    assert parted.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-12)
    assert parted.covariance == pytest.approx(whole.covariance, rel=1e-5, abs=1e-9)


def test_many_blocks_give_the_same_fit_as_one() -> None:
    lives = mixed(600_000, 3, weighted=False)
    whole = fit_weibull(
        lives.entry_age, lives.low, lives.high,
        covariates=np.column_stack(lives.covariates),
    )  # fmt: skip
    ready = block(lives, scaling_of(lives))
    one = fit_from(
        lambda theta: partial(theta, ready),
        tally(ready),
        scaling_of(lives),
        whole.names,
    )

    assert whole.shape == pytest.approx(one.shape, rel=1e-9)
    assert whole.coefficients == pytest.approx(one.coefficients, abs=1e-9)


def test_failures_that_lie_in_one_corner_of_a_long_register_are_found() -> None:
    """The blocks that the climb begins on hold none of them."""
    lives = simulate_lives(600_000, 23)
    away = np.arange(600_000) // 8192 % 16 == 0
    high = np.where(away, np.inf, lives.high)
    found = fit_weibull(lives.entry_age, lives.low, high, covariates=lives.covariates)
    order = np.argsort(~away, kind="stable")[::-1]
    turned = fit_weibull(
        lives.entry_age[order],
        lives.low[order],
        high[order],
        covariates=lives.covariates[order],
    )

    assert found.failures == turned.failures > 10_000
    assert found.shape == pytest.approx(turned.shape, rel=1e-8)
    assert found.coefficients == pytest.approx(turned.coefficients, abs=1e-8)


def test_a_weight_of_three_is_three_lives_alike() -> None:
    lives = mixed(300, 5, weighted=False)
    counts = np.random.default_rng(5).integers(0, 4, 300)
    columns = np.column_stack(lives.covariates)
    one = fit_weibull(
        lives.entry_age, lives.low, lives.high, weights=counts, covariates=columns
    )
    many = fit_weibull(
        *(np.repeat(age, counts) for age in (lives.entry_age, lives.low, lives.high)),
        covariates=np.repeat(columns, counts, axis=0),
    )

    assert one.shape == pytest.approx(many.shape, rel=1e-9)
    assert one.covariance == pytest.approx(many.covariance, rel=1e-6)
    assert one.failures == many.failures


@given(
    st.integers(0, 1000),
    st.floats(0.4, 8.0),
    st.sampled_from([1e-4, 1.0, 365.25, 1e6]),
)
@settings(max_examples=40, deadline=None)
def test_the_climb_ends_in_few_steps_whatever_the_shape_and_the_unit(
    seed: int, shape: float, unit: float
) -> None:
    lives = simulate_lives(
        400, seed, shape=shape, scale_years=15.0, watch_years=12, gap_years=0.5
    )
    columns = 1000 + 50 * lives.covariates
    found = fit_weibull(
        lives.entry_age * unit, lives.low * unit, lives.high * unit, covariates=columns
    )
    plain = fit_weibull(
        lives.entry_age, lives.low, lives.high, covariates=lives.covariates
    )

    assert found.steps <= 14
    assert found.shape == pytest.approx(plain.shape, rel=1e-8)
    assert 50 * found.coefficients == pytest.approx(plain.coefficients, abs=1e-8)
    at = np.full(4, 1000.0)
    assert found.scale_at(at) / unit == pytest.approx(plain.scale_years, rel=1e-7)


def _nist() -> tuple[FloatArray, FloatArray, FloatArray]:
    age = np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500.0] * 10])
    return np.zeros(20), age, np.where(np.arange(20) < 10, age, np.inf)


@pytest.mark.parametrize("name", ["shape", "scale", "b10", "median"])
@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_limits_lie_where_the_profile_likelihood_has_fallen_by_chi_square(
    name: str, confidence: float
) -> None:
    """The profile is worked out anew by a general optimiser, in other parameters."""
    entry, low, high = _nist()
    failed = np.isfinite(high)
    found = fit_weibull(entry, low, high)
    limits = found.limits(name, confidence)
    share = {"scale": -np.expm1(-1.0), "b10": 0.1, "median": 0.5}.get(name, 0.0)

    def likelihood(shape: float, scale: float) -> float:
        ratio = low / scale
        hazard = np.log(shape / scale) + (shape - 1) * np.log(ratio)
        return float(hazard[failed].sum() - (ratio**shape).sum())

    def profile(target: float) -> float:
        def loss(free: FloatArray) -> float:
            if name == "shape":
                return -likelihood(target, float(np.exp(free[0])))
            shape = float(np.exp(free[0]))
            return -likelihood(shape, target / (-np.log1p(-share)) ** (1 / shape))

        start = np.log(found.scale_years if name == "shape" else found.shape)
        options = {"xatol": 1e-9, "fatol": 1e-11}
        return -float(
            minimize(loss, [start], method="Nelder-Mead", options=options).fun
        )

    for end in (limits.low, limits.high):
        fall = 2 * (found.log_likelihood - profile(end))
        assert fall == pytest.approx(chi2.ppf(confidence, 1), abs=1e-5)
    assert limits.method == "profile likelihood"
    assert limits.low < limits.high


def test_a_fleet_with_two_failures_gets_wide_limits_by_its_own_likelihood() -> None:
    low = np.array([1.0, 2.0, *[5.0] * 1000])
    high = np.array([1.0, 2.0, *[np.inf] * 1000])
    found = fit_weibull(np.zeros(1002), low, high)

    for name in ("shape", "scale", "b10", "median"):
        limits = found.limits(name)
        assert limits.method == "profile likelihood"
    assert found.limits("scale").low > 5
    assert found.limits("scale").high > 1e6


def test_where_the_likelihood_never_falls_far_enough_wald_is_named() -> None:
    """A shelf to the left: there the log-likelihood falls by less than one, ever."""

    def shelf(theta: FloatArray) -> Partial:
        a, b = theta
        q = a * a / 2
        if a >= 0:
            value, score, curve = -q, -a, 1.0
        else:
            value, score = -q / (1 + q), -a / (1 + q) ** 2
            curve = (1 - 3 * q) / (1 + q) ** 3
        return Partial(value - b * b / 2, np.array([score, -b]), np.diag([curve, 1.0]))

    peak = maximise(shelf, np.array([0.3, 0.5]))
    limits = profile(shelf, peak, Fixed(0), 0.0, 0.95)

    assert limits.method == "profile likelihood; low by Wald"
    assert limits.high == pytest.approx(1.959964, abs=1e-5)
    assert limits.low < 0


def test_limits_of_a_chance_are_those_of_the_survival_it_comes_from() -> None:
    """From new, the chance to fail by the b10 limit is a tenth at that limit."""
    found = fit_weibull(*_nist())
    b10 = found.limits("b10")

    chance = found.failure_chance_limits(0.0, b10.low)
    assert chance.high == pytest.approx(0.1, abs=1e-5)
    chance = found.failure_chance_limits(0.0, b10.high)
    assert chance.low == pytest.approx(0.1, abs=1e-5)
    later = found.failure_chance_limits(200.0, 100.0)
    assert later.low < float(found.failure_chance(200.0, 100.0)) < later.high


def test_limits_at_given_covariates_do_not_depend_on_where_zero_is() -> None:
    lives = mixed(800, 13, weighted=False)
    table = np.column_stack(lives.covariates)
    at = np.array([1.0, -0.5, 1.0, 0.2])
    ages = (lives.entry_age, lives.low, lives.high)
    found = fit_weibull(*ages, covariates=table)
    moved = fit_weibull(*ages, covariates=table - at)

    for name in ("scale", "b10", "median"):
        one, other = found.limits(name, at=at), moved.limits(name)
        assert one.low == pytest.approx(other.low, rel=1e-6)
        assert one.high == pytest.approx(other.high, rel=1e-6)
    one, other = found.limits("x1"), moved.limits("x1")
    assert (one.low, one.high) == pytest.approx((other.low, other.high), abs=1e-6)
    assert one.low < found.coefficients[0] < one.high
    one = found.failure_chance_limits(5.0, 3.0, at=at)
    other = moved.failure_chance_limits(5.0, 3.0)
    assert (one.low, one.high) == pytest.approx((other.low, other.high), rel=1e-6)


def test_both_readings_of_a_covariate_tell_the_same_survival() -> None:
    lives = mixed(800, 17, weighted=False)
    found = fit_weibull(
        lives.entry_age, lives.low, lives.high,
        covariates={"a": lives.covariates[0], "b": lives.covariates[1]},
    )  # fmt: skip
    at, ages = [1.0, 0.5], np.array([1.0, 4.0, 20.0])
    stretch = np.exp(found.acceleration @ at)
    ratio = np.exp(found.coefficients @ at)

    assert found.survival(ages, at) == pytest.approx(found.survival(ages) ** ratio)
    assert found.survival(ages, at) == pytest.approx(found.survival(ages / stretch))
    assert found.quantile(0.3, at) == pytest.approx(found.quantile(0.3) * stretch)


@pytest.mark.parametrize("shape", [0.6, 1.0, 1.7, 6.0])
@pytest.mark.parametrize("age", [0.0, 3.0, 20.0, 60.0, 300.0])
def test_mean_remaining_life_is_the_integral_of_survival(
    shape: float, age: float
) -> None:
    spent = (age / 20.0) ** shape
    end = 20.0 * (spent + 60) ** (1 / shape)
    area, _ = quad(
        lambda t: np.exp(spent - (t / 20.0) ** shape), age, end, limit=400, epsabs=1e-12
    )

    assert float(mean_remaining(shape, 20.0, age)) == pytest.approx(area, rel=1e-7)


def test_survival_to_a_date_is_that_of_those_who_live_now() -> None:
    found = fit_weibull(*_nist())
    chance = found.failure_chance(np.array([0.0, 100.0, 400.0]), 50.0)
    ages = np.array([0.0, 100.0, 400.0])

    expected = 1 - found.survival(ages + 50) / found.survival(ages)
    assert chance == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        ([1, 2, 3], [np.inf] * 3, "none of 3 lives failed.*weibayes"),
        ([1, 2, 3], [1, np.inf, np.inf], "1 of 3 lives failed: too few"),
        ([2, 2, 1], [2, 2, np.inf], "do not settle the shape"),
        ([0, 0, 0], [3, 3, np.inf], "do not settle|no peak"),
        ([], [], "there are no lives"),
        ([0, 0, 0], [2, 2, 2], "do not settle|no peak|without end"),
    ],
)
def test_too_little_evidence_is_refused_with_its_reason(
    low: list[float], high: list[float], said: str
) -> None:
    with pytest.raises(NotEnoughEvidence, match=said):
        fit_weibull(np.zeros(len(low)), low, high)


def test_lives_that_leave_as_they_enter_are_no_evidence() -> None:
    with pytest.raises(NotEnoughEvidence, match="nothing was watched"):
        fit_weibull([2, 3, 4], [2, 3, 4], [2, 3, 4])


@given(st.integers(0, 100_000))
@example(3284)
@settings(max_examples=150, deadline=None)
def test_a_handful_of_lives_gets_a_fit_with_limits_or_a_refusal(seed: int) -> None:
    """Warnings are errors here, so no overflow or division passes unseen."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 15))
    unit = 10.0 ** rng.integers(-6, 7)
    entry = np.where(rng.random(count) < 0.4, rng.integers(0, 5, count), 0)
    low = entry + rng.integers(0, 6, count)
    after = low + rng.integers(0, 6, count)
    high = np.where(rng.random(count) < 0.4, np.inf, after)
    table = rng.integers(0, 2, (count, 1)) if rng.random() < 0.4 else None
    try:
        found = fit_weibull(entry * unit, low * unit, high * unit, covariates=table)
    except (NotEnoughEvidence, NotUnderstood):
        return
    for name in ("shape", "b10"):
        limits = found.limits(name)
        assert limits.low <= limits.high
    chance = found.failure_chance_limits(unit, 2 * unit)
    assert 0 <= chance.low <= chance.high <= 1
    assert float(found.mean_remaining(3.0 * unit)) > 0


def test_a_group_without_failures_has_no_hazard_ratio() -> None:
    lives = simulate_lives(300, 19, watch_years=25)
    group = (np.arange(300) < 100).astype(float)
    high = np.where(group == 1, np.inf, lives.high)

    with pytest.raises(NotEnoughEvidence, match="do not settle new kind"):
        fit_weibull(lives.entry_age, lives.low, high, covariates={"new kind": group})


@pytest.mark.parametrize(
    ("entry", "low", "high", "covariates", "said"),
    [
        ([0, 0], [2, 0], [2, 0], None, "fails exactly at age zero"),
        ([3, 0], [2, 1], [4, 1], None, "low age is before entry age"),
        ([0, 0], [2, 3], [1, 3], None, "high age is before low age"),
        ([0, 0], [2, np.nan], [2, 3], None, "low age is missing"),
        ([0, 0], [1, 2], [1, 2], {"a": [1, 1]}, "covariate 0 is the same for all"),
        ([0, 0], [1, 2], [1, 2], {"shape": [1, 2]}, "may not be called shape"),
        ([0] * 3, [1, 2, 3], [1, 2, 3], {"a": [1, 2, 4], "b": [3, 5, 9]}, "repeat"),
    ],
)
def test_what_cannot_be_read_is_refused(
    entry: list[float],
    low: list[float],
    high: list[float],
    covariates: dict[str, list[float]] | None,
    said: str,
) -> None:
    with pytest.raises(NotUnderstood, match=said):
        fit_weibull(entry, low, high, covariates=covariates)


def test_limits_of_an_unknown_name_are_refused() -> None:
    with pytest.raises(NotUnderstood, match="no limits for b20"):
        fit_weibull(*_nist()).limits("b20")


def test_a_surface_without_a_peak_is_refused() -> None:
    lives: Simulated = simulate_lives(50, 1)
    ready = block(
        Lives(lives.entry_age, lives.exit_age, np.full(50, np.inf), None, []),
        Scaling(5.0, np.empty(0), np.empty(0)),
    )
    with pytest.raises(NotEnoughEvidence):
        maximise(
            lambda theta: partial(theta, ready)._replace(
                information=-np.eye(2) * 1e300
            ),
            np.zeros(2),
        )
