"""The figures of repeat failures: ``python -m tests.bench.repeats [WORLDS] [all]``.

Faults that came in two years on the worst twentieth of circuits: as we rank them, by
raw count, by the best that faults can tell, by an oracle that knows every factor; how
often the true excess lies inside its 95 % limits. Wrong first repairs of demo cities,
flagged and rightly so. Errors by resampling worlds. ``all``: those of batches as well.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from tests.bench import batches
from tests.recovery.misdiagnosed import flagged
from tests.recovery.repeats_study import ranked, world

WORLDS = 60
WATCHED = (10.0, 3.0)
CITIES = range(3)
DRAWS = 2000


def _ratio(some: NDArray[np.float64], i: int, j: int) -> str:
    rng = np.random.default_rng(0)
    drawn = some[rng.integers(0, len(some), (DRAWS, len(some)))].sum(axis=1)
    found = some[:, i].sum() / some[:, j].sum()
    return f"{found:.3f} ±{(drawn[:, i] / drawn[:, j]).std():.3f}"


def _worlds(worlds: int, years: float) -> None:
    every = [ranked(world(seed, years)) for seed in range(1000, 1000 + worlds)]
    came = np.array(
        [[one.ours, one.counted, one.best, one.oracle, one.total] for one in every]
    )
    total = came.sum(axis=0)
    print(f"\n{years:.0f} years on record, {worlds} worlds; {total[4]:.0f} faults came")
    print("in two years, of which on the worst 5 % of circuits as ranked by")
    names = ("us", "raw count", "the best that faults can tell", "the oracle")
    for name, one in zip(names, total[:4], strict=True):
        print(f"  {name:30}{one:8.0f}{one / total[4]:8.1%}")
    print(f"us to raw count      {_ratio(came, 0, 1)}   goal >= 1.1")
    print(f"us to the best       {_ratio(came, 0, 2)}")
    print(f"us to the oracle     {_ratio(came, 0, 3)}   goal >= 0.8")
    print(f"the best to raw      {_ratio(came, 2, 1)}")
    print(f"the best to oracle   {_ratio(came, 2, 3)}")
    covered = np.array([one.covered.mean() for one in every])
    error = covered.std() / np.sqrt(len(covered))
    print(f"excess inside limits {covered.mean():.3f} ±{error:.3f}   goal .93-.97")
    ahead = np.array([one.ratio for one in every])
    print(f"faults said to come, to those truly expected {ahead.mean():.3f}")


def main() -> None:
    """Run and print."""
    numbers = [word for word in sys.argv[1:] if word.isdigit()]
    worlds = int(numbers[0]) if numbers else WORLDS
    for years in WATCHED:
        _worlds(worlds, years)
    for seed in CITIES:
        found = flagged(seed)
        print(
            f"city {seed}: {found.wrong} wrong first repairs, {found.said} flagged, "
            f"{found.both} rightly: recall {found.recall:.2f}, precision "
            f"{found.precision:.2f}   goal >= .8 each"
        )
    if "all" in sys.argv:
        batches.main()


if __name__ == "__main__":
    main()
