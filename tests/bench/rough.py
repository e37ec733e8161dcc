"""The product on rough towns: ``python -m tests.bench.rough [VERSION ...]``.

Towns of a second simulator (``tests/rough_town``), whose laws the product does not
know, are loaded and asked by commands only: on blind moments of the last two years, by
day and by night, and about storms (2, 6, 24 hours after the start while they last, when
a tenth of their lights are reported, 3 and 20 days after the end). What is said is held
against what is so, one column a version. ``1.00 of 20``: ratio, and the number of cases
under it. A supply alarm is an entry whose verdict is a supply fault, sure by more than
a half; known out: told of or noted, and not worked on since. At the cabinet: the group
photocontrol or the supply, told as one, sure by more than a half. A storm is told as
one area once a tenth of its lights are reported. Options: ``--seeds N``, ``--first N``,
``--lights N``, ``--blind N`` (moments a town), ``--storms N`` (the last so many),
``--jobs N`` (versions at a time).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from pathlib import Path

from tests.rough_town import PRESETS, rough_town
from tests.rough_town.asking import taken
from tests.rough_town.measures import MEASURES, Study, study

VERSIONS = ("clean", "storms", "drawings", "lost", "medium")
WIDTH = 19


def studied(version: str, args: argparse.Namespace) -> Study:
    """Return all that was asked of a version's towns."""
    found = Study()
    for seed in range(args.first, args.first + args.seeds):
        with tempfile.TemporaryDirectory() as folder:
            town = rough_town(seed, version, lights=args.lights)
            asked = taken(town, Path(folder) / f"{version}-{seed}")
            study(asked, seed, found, args.blind, args.storms)
    return found


def show(studies: dict[str, Study]) -> None:
    """Print a column for each version."""
    print(f"{'':34}" + "".join(f"{name:>{WIDTH}}" for name in studies))
    for name, measure in MEASURES.items():
        said = "".join(f"{measure(one):>{WIDTH}}" for one in studies.values())
        print(f"{name:34}{said}")


def main() -> None:
    """Run and print the study."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.rough")
    parser.add_argument("versions", nargs="*", default=VERSIONS)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--lights", type=int, default=5400)
    parser.add_argument("--blind", type=int, default=24)
    parser.add_argument("--storms", type=int, default=6)
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args()
    if unknown := set(args.versions) - set(PRESETS):
        parser.error(f"no such version: {', '.join(unknown)} (of {', '.join(PRESETS)})")
    began = time.perf_counter()
    with ProcessPoolExecutor(args.jobs) as pool:
        found = pool.map(studied, args.versions, repeat(args))
        show(dict(zip(args.versions, found, strict=True)))
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
