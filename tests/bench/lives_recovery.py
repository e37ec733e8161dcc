"""The full recovery study of lives: ``python -m tests.bench.lives_recovery``.

400 invented cities of 800 lights with wear-out, weather, late detection and wrong first
repairs: how often the true shape, scale, B10 and weather ratio of photocontrols and
lamps lie inside their 95 % limits. The band for 400 is 91-98.25 %. Arguments: how many
cities, and by how many processes.
"""

from __future__ import annotations

import sys
from multiprocessing import Pool

import pandas as pd

from tests.recovery.lives_study import of_one_city

CITIES = 400


def table(rows: pd.DataFrame, cities: int) -> str:
    """Return how often the truth lay inside, by quantity and by true value."""
    lines = [f"truth inside 95 % limits, {cities} cities"]
    by_truth = rows.groupby(["what", "truth"])["inside"].agg(["mean", "size"])
    for (what, truth), row in by_truth.iterrows():
        lines.append(f"{what:8}{truth:9.3f}{row['mean']:8.3f}  of {int(row['size'])}")
    for what, some in rows.groupby("what"):
        lines.append(f"{what:8}{'all':>9}{some['inside'].mean():8.3f}  of {len(some)}")
    return "\n".join(lines)


def main(cities: int = CITIES, processes: int = 1) -> None:
    """Print the study."""
    with Pool(processes) as workers:
        rows = pd.concat(workers.imap_unordered(of_one_city, range(cities)))
    print(table(rows, cities))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
