"""The shared town as of each past October: months that came inside the range."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from lightwatch.decisions.stock.forecast import Forecast, fit, forecast
from lightwatch.decisions.stock.shelf import Served, read_shelf
from lightwatch.decisions.stock.stocking import by_kind
from lightwatch.decisions.stock.uses import uses
from lightwatch.observations.intake import load
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.package import Package
from lightwatch.register import Register
from lightwatch.store import Store, open_store

MONTHS = 12


def taken_in(town: Path, folder: Path) -> Store:
    """Load the town into a store of its own."""
    store = open_store(f"sqlite:///{folder}/town.db", create=True)
    package = Package.open(town)
    load(store, package, now=package.clock.instant("2025-10-02"), said_by="a study")
    return store


def actual_uses(store: Store) -> pd.DataFrame:
    """Return parts fitted by repairs, programmes left out, as known at the end."""
    known = Known(store, default_as_of(store))
    register = Register(known)
    found = uses(register, Served(known, read_shelf(known))).fitted
    return found[~found["programme"] & (found["model"] != "")]


def _inside(
    paths: np.ndarray, came: np.ndarray, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """Say whether each month came inside; ``even`` shares out ties by chance."""
    low95, low80, high80, high95 = np.quantile(
        paths, [0.025, 0.1, 0.9, 0.975], axis=0, method="inverted_cdf"
    )
    below, same = (paths < came).mean(axis=0), (paths == came).mean(axis=0)
    rank = below + rng.random(came.size) * same
    return {
        "in80": (came >= low80) & (came <= high80),
        "in95": (came >= low95) & (came <= high95),
        "even80": (rank > 0.1) & (rank < 0.9),
        "even95": (rank > 0.025) & (rank < 0.975),
    }


def held_against(found: Forecast, came: pd.DataFrame, year: int) -> pd.DataFrame:
    """Return a row a kind and month: whether what came lay inside."""
    rng = np.random.default_rng(year)
    rows = []
    for kind, paths in by_kind(found).items():
        of_kind = np.floor(came.loc[came["kind"] == kind, "month"]).astype(int)
        at = of_kind - found.first_month
        count = np.bincount(at[(at >= 0) & (at < MONTHS)], minlength=MONTHS)
        if paths[:, :MONTHS].mean() < 0.25:
            continue
        inside = _inside(paths[:, :MONTHS], count, rng)
        frame = pd.DataFrame({"year": year, "kind": kind, "came": count, **inside})
        rows.append(frame.assign(mean=paths[:, :MONTHS].mean(axis=0)))
    return pd.concat(rows, ignore_index=True)


def octobers(
    town: Path, folder: Path, years: range = range(2017, 2025)
) -> pd.DataFrame:
    """Forecast twelve months as of each first of October, and hold it to what came."""
    store = taken_in(town, folder)
    came = actual_uses(store)
    rows = []
    for year in years:
        known = Known(store, default_as_of(store))
        then = Known(store, known.clock.instant(f"{year}-10-01"))
        rows.append(held_against(forecast(fit(Register(then), MONTHS)), came, year))
    return pd.concat(rows, ignore_index=True)
