"""Patrols of rough towns: ``python -m tests.bench.finds [VERSION ...]``.

Nights of the last four years are planned by the command, two crews of four hours each,
and driven through the truth: how many dark lights that nobody has told of would be
found, beside how many the plan expects. Nights in a storm are left out. The limits of
95 % draw nights again with replacement. Options: ``--seeds N``, ``--first N``,
``--lights N``, ``--nights N`` (a town), ``--jobs N`` (versions at a time).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from pathlib import Path

from tests.bench.rough import VERSIONS
from tests.rough_town import PRESETS, rough_town
from tests.rough_town.asking import taken
from tests.rough_town.driving import Patrols, drive


def driven(version: str, args: argparse.Namespace) -> Patrols:
    """Return the patrols of a version's towns."""
    found = Patrols()
    for seed in range(args.first, args.first + args.seeds):
        with tempfile.TemporaryDirectory() as folder:
            town = rough_town(seed, version, lights=args.lights)
            asked = taken(town, Path(folder) / f"{version}-{seed}")
            drive(asked, seed, found, args.nights)
    return found


def main() -> None:
    """Run and print the study."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.finds")
    parser.add_argument("versions", nargs="*", default=VERSIONS)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--lights", type=int, default=5400)
    parser.add_argument("--nights", type=int, default=16)
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args()
    if unknown := set(args.versions) - set(PRESETS):
        parser.error(f"no such version: {', '.join(unknown)} (of {', '.join(PRESETS)})")
    began = time.perf_counter()
    print(
        f"{'version':10}{'nights':>7}{'lights':>8}{'expected':>10}{'real':>8}", end=""
    )
    print(f"{'ratio':>8}{'95 % limits':>16}")
    with ProcessPoolExecutor(args.jobs) as pool:
        found = pool.map(driven, args.versions, repeat(args))
        for name, one in zip(args.versions, found, strict=True):
            expected, real, ratio = one.summed()
            low, high = one.limits()
            lights = sum(night.lights for night in one.nights)
            print(
                f"{name:10}{len(one.nights):>7}{lights:>8,}{expected:>10.1f}"
                f"{real:>8.1f}{ratio:>8.3f}{f'{low:.2f} to {high:.2f}':>16}",
                flush=True,
            )
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
