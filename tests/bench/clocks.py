"""How often a kind is given the right clock: ``python -m tests.bench.clocks [CITIES]``.

Invented cities of 800 lights in which lamps age by burning, and in which nothing does:
what their failures decide, kind by kind.
"""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

from tests.recovery.test_burning import clocks, judged

FIRST_SEED, LIGHTS, CORES = 500, 800, 2


def decided(seed: int) -> list[tuple[bool, str, str]]:
    """Return, of one seed, whether lamps burn out, each kind, and what was decided."""
    return [
        (by_burning, kind, name)
        for by_burning in (True, False)
        for kind, name in clocks(judged(seed, by_burning, LIGHTS)).items()
    ]


def main(cities: int = 100) -> None:
    """Print counts."""
    with ProcessPoolExecutor(CORES) as pool:
        seeds = range(FIRST_SEED, FIRST_SEED + cities)
        counts = Counter(one for some in pool.map(decided, seeds) for one in some)
    for by_burning, kind, name in sorted(counts):
        city = "lamps burn out" if by_burning else "all by calendar"
        print(f"{city:<16} {kind:<12} {name:<10} {counts[by_burning, kind, name]:>5}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
