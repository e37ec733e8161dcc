"""The scan and the alarms behind areas, against published runs and examples."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.areas.chance import gumbel_tail
from lightwatch.decisions.areas.scan import Scan, log_ratio
from tests.packages import packaged
from tests.published.printed import printed

NEW_YORK = (
    "leukaemia in upstate New York, 281 areas, 552 whole cases: Waller & Gotway, "
    "Applied Spatial Statistics for Public Health Data (2005); the reference run as "
    "stored in jfrench/smerc, tests/scan_test_ny_poisson_circular_cartesian*.txt "
    "(shared/checks, ny-scan-50pct)"
)
BEST = (
    ("14.083511", 100, 111674, 0.00015),
    ("9.019716", 38, 34083, 0.016),
    ("6.114140", 64, 78280, 0.248),
    ("4.651839", 25, 24571, 0.645),
    ("3.363518", 12, 9840, 0.965),
    ("3.209485", 11, 8839, 0.982),
)
FIRST = [
    1, 2, 3, 11, 12, 13, 14, 15, 16, 17, 35, 36, 37, 38, 39, 40, 43, 44, 45, 46, 47,
    48, 49, 50, 51, 52, 53, 55,
]  # fmt: skip
REPLICATES = 199


@pytest.fixture(scope="module")
def leukaemia() -> pd.DataFrame:
    path = Path(__file__).parent / "data" / "new_york_leukaemia.csv"
    return pd.read_csv(path, index_col="id")


def scan_of(
    place: np.ndarray, people: np.ndarray, cases: np.ndarray, share: float
) -> Scan:
    expected = cases.sum() * people / people.sum()
    return Scan(
        place, expected[:, None], np.array([float(cases.sum())]), share, len(people)
    )


@pytest.fixture(scope="module")
def new_york(leukaemia: pd.DataFrame) -> Scan:
    place = leukaemia[["x", "y"]].to_numpy()
    people, cases = leukaemia["population"], leukaemia["cases"]
    return scan_of(place, people.to_numpy(), cases.to_numpy(), 0.5)


@pytest.mark.parametrize(("llr", "cases", "people", "p_value"), BEST)
def test_log_ratios_of_new_york_are_those_printed(
    llr: str, cases: int, people: int, p_value: float
) -> None:
    expected = 552 * people / 1_057_673

    assert log_ratio(np.array(cases), np.array(expected), 552) == printed(llr, NEW_YORK)


def test_the_scan_of_new_york_finds_the_six_clusters_of_the_reference(
    new_york: Scan, leukaemia: pd.DataFrame
) -> None:
    cases = leukaemia["cases"].to_numpy(float)[:, None]
    found = list(new_york.clusters(cases, 3.2))

    assert sorted(leukaemia.index[found[0].places]) == FIRST
    assert len(found) == len(BEST)
    for cluster, (llr, count, people, _) in zip(found, BEST, strict=True):
        assert cluster.log_ratio == printed(llr, NEW_YORK)
        assert cluster.cases == count
        assert leukaemia["population"].iloc[cluster.places].sum() == people


def test_gumbel_tails_of_a_few_replicates_are_the_reference_s_p_values(
    new_york: Scan, leukaemia: pd.DataFrame
) -> None:
    """The reference had many more replicates; 0.04 is what 199 can differ by."""
    rng = np.random.default_rng(1)
    share = leukaemia["population"].to_numpy() / leukaemia["population"].sum()
    greatest = np.array([
        new_york.greatest(rng.multinomial(552, share).astype(float)[:, None])
        for _ in range(REPLICATES)
    ])  # fmt: skip

    for llr, _, _, p_value in BEST:
        found = gumbel_tail(greatest, float(llr))
        assert found == pytest.approx(p_value, abs=0.04), NEW_YORK
    assert gumbel_tail(greatest, 14.083511) < 0.002


def test_the_scan_of_north_carolina_finds_the_north_east() -> None:
    """The cluster is the published one; the figure is our own run (shared/checks)."""
    counties = gpd.read_file(packaged("libpysal", "examples", "sids2", "sids2.shp"))
    place = np.column_stack([counties.centroid.x, counties.centroid.y])
    people, cases = counties["BIR74"].to_numpy(), counties["SID74"].to_numpy()
    assert (people.sum(), cases.sum()) == (329_962, 667)
    scan = scan_of(place, people, cases, 0.1)
    best = next(scan.clusters(cases[:, None]))

    assert sorted(counties["NAME"].iloc[best.places]) == [
        "Bertie", "Edgecombe", "Halifax", "Hertford", "Northampton",
    ]  # fmt: skip
    assert best.log_ratio == pytest.approx(12.19544, abs=2e-6)


def test_the_gumbel_tail_is_that_of_its_moments() -> None:
    """Abrams, Kleinman & Kulldorff 2010 for the method; figure worked out by hand."""
    replicates = np.array([2.1, 2.9, 3.4, 3.8, 4.0, 4.6, 5.2, 6.1, 2.5, 3.1])

    assert gumbel_tail(replicates, 9.0) == pytest.approx(0.002569197778, abs=1e-10)
