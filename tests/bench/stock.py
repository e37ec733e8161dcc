"""Figures of the stock room: ``python -m tests.bench.stock [worlds] [policies]``.

Prints the forecast beside one who knows the truth and beside general methods (AutoETS
by statsforecast, extra ``bench``), in a Weibull world and in one with infant mortality
and lognormal wear-out; the stock each needs for the same fill rate; how long 100,000
parts, 24 months and 1,000 paths take; and the shared town as of each past October.
"""

from __future__ import annotations

import sys
import tempfile
import time
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd

from lightwatch.decisions.stock.demand import demand
from tests.recovery.stock_policies import policies, stock_at
from tests.recovery.stock_study import OURS, study
from tests.recovery.stock_town import octobers
from tests.recovery.stock_worlds import KINDS, ahead, fitted_model, world

WORLDS = 16
POLICY_WORLDS = 4
FIGURES = ("mase", "pinball", "total", "in80", "in95")
TOWN = Path(__file__).parents[3] / "shared" / "town"


def _worlds(count: int, *, ets: bool) -> None:
    for kind in KINDS:
        rows = study(kind, range(count), ets=ets)
        table = rows.groupby("method", sort=False)[list(FIGURES)].mean()
        print(f"\n{kind} world, {count} of them; 24 months, 12 series")
        print("error and pinball in units of seasonal naive's error in the history")
        print(table.round(3).to_string())
        ours = rows[rows["method"] == OURS]
        truth = table.loc["one who knows the truth", "mase"]
        error = table.loc[OURS, "mase"] / truth
        print(f"error against one who knows the truth: {error:.3f}")
        if ets:
            better = 1 - table.loc[OURS, "pinball"] / table.loc["AutoETS", "pinball"]
            print(f"pinball below AutoETS: {better:.0%}")
        sums = [name for name in ours if name.startswith(("sum", "all"))]
        print("sums inside:", ours[sums].mean().round(3).to_dict())


def _stock(count: int, *, ets: bool) -> None:
    for kind in KINDS:
        frame = policies(kind, range(count), ets=ets)
        print(f"\n{kind} world, order-up-to, {count} worlds: fill and mean stock")
        means = frame.groupby(["method", "service"])[["fill", "stock"]].mean()
        print(means.unstack("service").round(3)["fill"].to_string())
        found = stock_at(frame)
        print("mean stock at a fill of 98 %:", found.round(0).to_dict())
        for other in found.index.drop(OURS):
            print(f"  against {other}: {found[OURS] / found[other]:.0%}")


def _speed() -> None:
    lived = world("mixture", 0)
    begun = time.perf_counter()
    model = fitted_model(lived)
    fitted = time.perf_counter()
    demand(model, ahead(1000, 0), np.random.default_rng(0))
    done = time.perf_counter()
    print(
        f"\n100,000 parts, 24 months, 1,000 paths: fit {fitted - begun:.1f} s, "
        f"paths {done - fitted:.1f} s"
    )


def _town() -> None:
    if not TOWN.is_dir():
        print(f"\nno shared town at {TOWN}")
        return
    with tempfile.TemporaryDirectory() as folder:
        rows = octobers(TOWN, Path(folder))
    print("\nthe shared town as of each past October, 12 months ahead:")
    print(rows.groupby("year")[["in80", "in95", "even80", "even95"]].mean().round(3))
    print("all months of kinds:", rows[["in80", "in95", "even80", "even95"]].mean())


def main(worlds: int = WORLDS, stocks: int = POLICY_WORLDS) -> None:
    """Print all figures."""
    ets = find_spec("statsforecast") is not None
    if not ets:
        print("AutoETS is left out: statsforecast is not installed (extra bench)")
    pd.set_option("display.width", 160)
    _speed()
    _worlds(worlds, ets=ets)
    _stock(stocks, ets=ets)
    _town()


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:]))
