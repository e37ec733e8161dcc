"""Hours lit as exposure: what they add up to, and which clock a kind is given."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from lightwatch.lives.burning import HoursLit
from lightwatch.nights import YEAR, LocalTime
from lightwatch.nights.darkness import BURN_DEG, Place, burn_hours
from lightwatch.rates.backtest import _hazard_between
from lightwatch.rates.clocks import Clock, lit_lives
from lightwatch.rates.life_models import LifeFit, _mean_factor
from lightwatch.rates.poisson import exact_rate
from lightwatch.rates.weibull import fit_weibull

FIRST, MONTHS = 540, 72
"""From January 2015, six years."""


def at(text: str) -> float:
    return float(np.datetime64(text, "us").astype(np.int64))


def lit_at(latitude: float) -> HoursLit:
    place = Place(15.0, latitude, LocalTime("UTC"))
    return HoursLit.at(place, int(at("2014-10-03")))


def test_a_year_of_hours_is_that_of_the_checked_burn_hours() -> None:
    place = Place(15.0, 51.5, LocalTime("UTC"))
    years = [burn_hours(place, year, BURN_DEG) for year in range(2015, 2021)]
    lit = lit_at(51.5)
    ends = np.array([at(f"{year}-01-01") for year in range(2015, 2022)])
    assert lit.hours(ends[:-1], ends[1:]) == pytest.approx(years, rel=1e-3)
    assert lit.hours(ends[:1], ends[-1:]) == pytest.approx(sum(years), rel=3e-4)
    days = (at("2021-01-01") - at("2015-01-01")) / YEAR
    assert lit.a_year == pytest.approx(sum(years) / days, rel=3e-4)


def test_months_weigh_what_the_nights_say_and_a_whole_time_its_length() -> None:
    lit = lit_at(51.5)
    share = np.exp(lit.log_share(FIRST, MONTHS))
    edges = np.arange(FIRST, FIRST + MONTHS + 1).astype("datetime64[M]")
    days = np.diff(edges.astype("datetime64[D]").astype(int))

    assert (share * days).sum() == pytest.approx(days.sum(), rel=1e-3)
    assert share[11] > 2 * share[5]
    assert np.exp(lit_at(0.0).log_share(FIRST, MONTHS)) == pytest.approx(1, abs=0.01)


def test_a_month_of_midnight_sun_keeps_a_little_exposure() -> None:
    share = np.exp(lit_at(69.65).log_share(FIRST, MONTHS))
    assert share.min() == pytest.approx(0.01)
    assert share.max() > 1.9


def test_ages_run_faster_in_winter_and_come_out_even_over_a_year() -> None:
    lit = lit_at(51.5)
    born = at("2016-06-21")
    some = pd.DataFrame(
        {
            "born": [born, np.nan],
            "start": [born, born],
            "low": [at("2016-09-21"), born],
            "high": [at("2018-06-21"), born],
        }
    )
    found = lit.aged(some)

    assert found["entry_age"].iloc[0] == 0
    assert 0.17 < found["low_age"].iloc[0] < 0.20
    assert found["high_age"].iloc[0] == pytest.approx(2.0, abs=0.003)
    assert found.loc[1, ["entry_age", "low_age", "high_age"]].isna().all()


@pytest.mark.parametrize(
    ("evidence", "name"),
    [(3.1, "burning"), (2.9, "undecided"), (-2.9, "undecided"), (-3.1, "calendar")],
)
def test_a_clock_is_named_only_where_the_failures_decide(
    evidence: float, name: str
) -> None:
    assert Clock(evidence).name == name
    assert Clock(evidence).is_burning == (name == "burning")


def test_failures_count_against_the_hours_of_what_burns_only() -> None:
    lit = lit_at(0.0)
    frame = pd.DataFrame(
        {
            "kind": ["lamp", "lamp", "photocontrol"],
            "type": "hps",
            "start": at("2015-01-01"),
            "end": [at("2016-01-01"), at("2017-01-01"), at("2017-01-01")],
            "failed": [True, False, True],
        }
    )
    (found,) = lit_lives(frame, lit, {"lamp": Clock(5.0)})
    hours = lit.a_year * 3
    rate = exact_rate(1, hours / 1e6)

    assert (found.kind, found.failures) == ("lamp", 1)
    assert found.hours == pytest.approx(hours, rel=1e-3)
    limits = [rate.per_year, rate.low_per_year, rate.high_per_year]
    assert [found.per_million, found.low, found.high] == pytest.approx(limits, rel=1e-3)
    assert found.clock is not None
    assert found.clock.is_burning


@pytest.mark.parametrize("by_burning", [True, False])
def test_a_forecast_by_hours_lit_expects_more_of_winter(by_burning: bool) -> None:
    """Of a hazard that does not change with age, as much more as nights are longer."""
    law = fit_weibull([0, 0, 2, 0], [3, 5, 4, 6], [3, 5, 5, float("inf")])
    fit = LifeFit("lamp", "hps", 4, 3, law, law.limits("shape"), by_burning=by_burning)
    some = pd.DataFrame(
        {
            "installed": [at("2010-01-01")],
            "installed_last": [at("2010-01-01")],
            "start": [at("2015-01-01")],
            "end": [at("2021-01-01")],
            "weight": [1.0],
        }
    )
    lit = lit_at(51.5)

    def expected(begin: str, end: str) -> float:
        found = _hazard_between(fit, some, at(begin), at(end), lit)
        ages = np.array([[at(begin), at(end)]]) - at("2010-01-01")
        spent = (ages / YEAR / law.scale_years) ** law.shape @ np.array([-1, 1])
        return found / float(spent[0])

    ratio = expected("2018-11-21", "2019-01-21") / expected("2018-05-21", "2018-07-21")
    assert ratio == pytest.approx(2.0 if by_burning else 1.0, rel=0.12)


def test_the_mean_hazard_weighs_a_month_by_its_hours() -> None:
    """Two months, one a day of frost above the mean and lit three times as long."""
    weather = np.array([[[1.0, 0.0], [-1.0, 0.0]]])
    layout = SimpleNamespace(
        weather=weather, mean_weather=np.zeros(2), offset=np.log([1.5, 0.5])
    )
    effects = {"freeze_thaw": (0.2, 0.0), "wet": (0.0, 0.0)}
    model = SimpleNamespace(layout=layout, log_ratio=effects.__getitem__)
    by_hand = (1.5 * np.exp(0.2) + 0.5 * np.exp(-0.2)) / 2.0

    assert _mean_factor(model) == pytest.approx(by_hand)
