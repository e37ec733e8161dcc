"""Public weather files as weather.csv, loaded for real; days counted from the store.

A freeze-thaw day is told in two ways: the exchange format's own, Tmin < 0 and Tmax > 0,
and the literature's, Tmin < 0 and Tmax >= 0 [trade.md N55 (a)]. A third, N55 (b), has
Tmax >= 0 and Tmin <= -2.2.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from lightwatch.words import resources
from tests.packages import Taken, packaged, take_in, write_package
from tests.published.printed import printed

N56 = "methods/trade.md N56, computed with pandas on the packaged file"
SECTION_4 = "methods/trade.md section 4, rows of the packaged file"
COUNTED = "counted by pandas in the packaged file, no printed value seen"

KMH_PER_MS = 3.6
HIGHEST_RH_PCT = 100.0


def _taken(
    folder: Path, place: tuple[float, float], weather: pd.DataFrame, opened_on: str
) -> Taken:
    """Write daily weather with its stations and one light at the place, and load."""
    longitude, latitude = place
    tables: dict[str, Any] = {
        "stations": [
            {"station_id": name, "longitude": longitude, "latitude": latitude}
            for name in weather["station_id"].unique()
        ],
        "weather": weather.to_dict("records"),
        "circuits": [{"circuit_id": "C1", "feed": "overhead"}],
        "lights": [
            {
                "light_id": "L1",
                "longitude": longitude,
                "latitude": latitude,
                "circuit_id": "C1",
                "technology": "hps",
            }
        ],
    }
    return take_in(
        write_package(
            folder, tables, created="2025-10-01T00:00:00Z", opened_on=opened_on
        )
    )


def _from_store(taken: Taken, station: str) -> pd.DataFrame:
    """Return a station's days as the store gives them back, numbers as numbers."""
    columns = list(resources()["weather"].columns)
    frame = taken.store.frame("weather", columns)
    frame = frame[frame["station_id"] == station].set_index("date")
    return frame.drop(columns="station_id").apply(pd.to_numeric)


def freeze_thaw(days: pd.DataFrame) -> int:
    """Days by the exchange format's definition."""
    return int(((days["tmin_c"] < 0) & (days["tmax_c"] > 0)).sum())


def freeze_thaw_a(days: pd.DataFrame) -> int:
    return int(((days["tmin_c"] < 0) & (days["tmax_c"] >= 0)).sum())


def freeze_thaw_b(days: pd.DataFrame) -> int:
    return int(((days["tmin_c"] <= -2.2) & (days["tmax_c"] >= 0)).sum())


def _greensboro_hours() -> pd.DataFrame:
    """Hours of the typical year at Greensboro; months of several years as of 2001."""
    from pvlib.iotools import read_tmy3

    path = packaged("pvlib", "data", "723170TYA.CSV")
    hours, _ = read_tmy3(path, coerce_year=2001, map_variables=True)
    return hours


def _by_day(hours: pd.DataFrame, station: str, day: pd.Index) -> pd.DataFrame:
    days = hours.groupby(day)
    return pd.DataFrame(
        {
            "station_id": station,
            "tmin_c": days["temp_air"].min(),
            "tmax_c": days["temp_air"].max(),
            "rain_mm": days["Lprecip depth (mm)"].sum(),
            "rh_mean_pct": days["relative_humidity"].mean().round(3),
            "gust_kmh": (days["wind_speed"].max() * KMH_PER_MS).round(3),
        }
    ).reset_index(names="date")


@pytest.fixture(scope="module")
def hours() -> pd.DataFrame:
    return _greensboro_hours()


@pytest.fixture(scope="module")
def greensboro(hours: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Taken:
    """Greensboro NC, told twice, as an hour is stamped by its end.

    Station ``stamp`` gives the hour that ends at 24:00 to the next day, as its time
    stamp says and as N56 counted; station ``hour`` to the day in which it passed.
    """
    stamp = hours.index.tz_localize(None)
    both = [
        _by_day(hours, "stamp", pd.Index(stamp.date)),
        _by_day(hours, "hour", pd.Index((stamp - pd.Timedelta(hours=1)).date)),
    ]
    folder = tmp_path_factory.mktemp("greensboro") / "package"
    weather = pd.concat(both, ignore_index=True)
    return _taken(folder, (-79.95, 36.1), weather, "2001-01-01")


@pytest.fixture(scope="module")
def seattle_file() -> pd.DataFrame:
    """Four years of days at Seattle, as vega_datasets carries them."""
    return pd.read_csv(packaged("vega_datasets", "_data", "seattle-weather.csv"))


@pytest.fixture(scope="module")
def seattle(
    seattle_file: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory
) -> Taken:
    weather = pd.DataFrame(
        {
            "station_id": "seattle",
            "date": pd.to_datetime(seattle_file["date"]).dt.strftime("%Y-%m-%d"),
            "tmin_c": seattle_file["temp_min"],
            "tmax_c": seattle_file["temp_max"],
            "rain_mm": seattle_file["precipitation"],
        }
    )
    folder = tmp_path_factory.mktemp("seattle") / "package"
    return _taken(folder, (-122.31, 47.44), weather, "2012-01-01")


@pytest.mark.parametrize("taken", ["greensboro", "seattle"])
def test_every_day_of_a_public_weather_file_is_taken_in(
    taken: str, request: pytest.FixtureRequest
) -> None:
    outcome = request.getfixturevalue(taken).outcome

    assert outcome.rejects == []
    assert outcome.warnings == []
    assert outcome.counts["weather"].loaded == outcome.counts["weather"].read > 0


def test_the_typical_year_at_greensboro_has_8760_hours_in_365_days(
    greensboro: Taken, hours: pd.DataFrame
) -> None:
    assert len(hours) == printed("8760", SECTION_4)
    assert len(_from_store(greensboro, "hour")) == 365
    assert len(_from_store(greensboro, "stamp")) == 366, "one hour of the next year"


def test_freeze_thaw_days_at_greensboro_are_47_and_30_by_the_literature(
    greensboro: Taken,
) -> None:
    days = _from_store(greensboro, "stamp")

    assert freeze_thaw_a(days) == printed("47", N56)
    assert freeze_thaw_b(days) == printed("30", N56)


def test_the_formats_own_freeze_thaw_days_at_greensboro_are_two_fewer(
    greensboro: Taken,
) -> None:
    """Two days never rose above 0.0 but reached it: the definitions differ by them."""
    days = _from_store(greensboro, "stamp")
    at_nought = days[(days["tmin_c"] < 0) & (days["tmax_c"] == 0)]

    assert freeze_thaw(days) == printed("45", COUNTED)
    assert freeze_thaw_a(days) - freeze_thaw(days) == len(at_nought) == 2


def test_the_hour_of_midnight_moves_one_day_but_not_the_47(greensboro: Taken) -> None:
    """To which day 24:00 belongs matters by a day, so a count must say which."""
    days = _from_store(greensboro, "hour")

    assert freeze_thaw_a(days) == printed("47", N56)
    assert freeze_thaw(days) == printed("44", COUNTED)
    assert freeze_thaw_b(days) == printed("29", COUNTED)


@pytest.mark.parametrize("station", ["stamp", "hour"])
def test_rain_wind_and_damp_at_greensboro_come_back_as_the_hours_had_them(
    station: str, greensboro: Taken, hours: pd.DataFrame
) -> None:
    days = _from_store(greensboro, station)

    assert days["rain_mm"].sum() == pytest.approx(hours["Lprecip depth (mm)"].sum())
    assert days["gust_kmh"].max() == pytest.approx(15.4 * KMH_PER_MS), COUNTED
    assert days["tmin_c"].min() == hours["temp_air"].min()
    assert days["tmax_c"].max() == hours["temp_air"].max()
    assert days["rh_mean_pct"].between(0, HIGHEST_RH_PCT).all()


def test_four_years_at_seattle_are_1461_days_from_first_to_last(seattle: Taken) -> None:
    days = _from_store(seattle, "seattle")

    assert len(days) == printed("1461", SECTION_4)
    assert (days.index[0], days.index[-1]) == ("2012-01-01", "2015-12-31"), SECTION_4
    assert days.index.is_unique


def test_freeze_thaw_days_at_seattle_are_69_in_4_years_by_the_literature(
    seattle: Taken,
) -> None:
    assert freeze_thaw_a(_from_store(seattle, "seattle")) == printed("69", N56)


def test_the_formats_own_freeze_thaw_days_at_seattle_are_two_fewer(
    seattle: Taken,
) -> None:
    days = _from_store(seattle, "seattle")
    at_nought = days[(days["tmin_c"] < 0) & (days["tmax_c"] == 0)]

    assert freeze_thaw(days) == printed("67", COUNTED)
    assert freeze_thaw_a(days) - freeze_thaw(days) == len(at_nought) == 2


def test_rain_at_seattle_comes_back_to_the_tenth_of_a_millimetre(
    seattle: Taken, seattle_file: pd.DataFrame
) -> None:
    days = _from_store(seattle, "seattle")

    assert days["rain_mm"].tolist() == seattle_file["precipitation"].tolist()
    assert days["rain_mm"].sum() == pytest.approx(4426.0), COUNTED
    assert int((days["rain_mm"] >= 1).sum()) == 506, COUNTED


def test_a_day_of_weather_counts_only_once_it_is_over(seattle: Taken) -> None:
    """Asked for at midnight that ends 2013, the store gives 2012 and 2013 whole."""
    clock = seattle.register.known.clock
    before = clock.instant("2014-01-01")
    frame = seattle.store.frame("weather", ["date"], before=before)

    assert len(frame) == 366 + 365
    assert frame["date"].max() == "2013-12-31"
    earlier = seattle.store.frame("weather", ["date"], before=before - 1)
    assert earlier["date"].max() == "2013-12-30"


def test_a_light_belongs_to_the_station_at_its_foot(seattle: Taken) -> None:
    assert seattle.register.nearest_station == {"L1": "seattle"}
