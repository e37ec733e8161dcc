"""The full recovery study of rates: ``python -m tests.bench.rates_recovery``.

400 small invented cities with constant hazards; for each kind and type, how often the
true rate lies inside the exact 95 % limits. Then the same with the city left out:
Poisson counts of known mean, judged by the same limits.
"""

from __future__ import annotations

import sys

import numpy as np

from lightwatch.rates import exact_rate
from tests.recovery.rates_study import study

CITIES = 400


def sampler(mean: float, draws: int, seed: int) -> float:
    """Return how often the true rate of plain Poisson counts lies inside."""
    counts = np.random.default_rng(seed).poisson(mean, draws)
    limits = {n: exact_rate(int(n), 1.0) for n in np.unique(counts)}
    inside = [limits[n].low_per_year <= mean <= limits[n].high_per_year for n in counts]
    return float(np.mean(inside))


def main(cities: int = CITIES) -> None:
    """Print the study."""
    rows = study(range(cities))
    table = rows.groupby(["kind", "type"])["inside"].agg(["mean", "size"])
    print(f"truth inside 95 % limits, {cities} cities")
    for (kind, name), row in table.iterrows():
        print(f"{kind:13}{name:20}{row['mean']:7.3f}  of {int(row['size'])}")
    whole = rows.groupby("seed")["inside"].mean()
    print(f"{'all':33}{rows['inside'].mean():7.3f}  of {len(rows)}")
    print(f"worst city {whole.min():.3f}")
    for mean in (0.5, 2, 5, 10, 30, 100):
        print(f"Poisson sampler, mean {mean:>5}: {sampler(mean, 4000, 7):.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else CITIES)
