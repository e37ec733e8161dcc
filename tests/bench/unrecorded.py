"""Triage where circuits are not on record: ``python -m tests.bench.unrecorded``.

Invented cities, each judged on several mornings as it is, with no circuit on record,
with half of the circuits or half of the lights' circuits left out, and with 5 % of the
lights on a neighbour's circuit: precision, recall of faults of which two lights or more
are known to be out, Brier score to that of the base rate, the sum of what was said to
what was so. Then lights on a wrong circuit that their history names, and six cable
faults that few called about, with cabinets on record and without. Options:
``--cities N``, ``--first N`` (seed of the first), ``--lights N``, ``--mornings N``,
``--reported P`` (chance that a dark light is told of within 14 nights).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import pandas as pd

from tests.recovery.cable_events import asked, found, town
from tests.recovery.misdrawn_study import contradicted
from tests.recovery.triage_measures import CIRCUITS, measured
from tests.recovery.triage_mornings import parameters_for
from tests.recovery.unrecorded_study import VARIANTS, of_city

FEED_VISIT_DAYS = 30.0
"""Faults of feeds stay open so long, that a morning has several."""

SHOWN = (
    "precision", "recall of all", "recall of detectable", "calibration error",
    "Brier / base rate's", "sum P / positives",
)  # fmt: skip


def show(circuits: pd.DataFrame, groups: pd.DataFrame) -> None:
    """Print a column for each variant."""
    width = 19
    print(f"{'':22}" + "".join(f"{name:>{width}}" for name in VARIANTS))
    rows = circuits.assign(flagged=circuits["chance"] > 0.5)
    for name in SHOWN:
        said = [
            str(measured(rows[rows["variant"] == one], CIRCUITS[name])).strip()
            for one in VARIANTS
        ]
        print(f"{name:22}" + "".join(f"{one:>{width}}" for one in said))
    right = groups.groupby("variant")["right"]
    said = [
        f"{right.mean().get(one, 0):.3f} of {right.size().get(one, 0)}"
        for one in VARIANTS
    ]
    print(f"{'said groups right':22}" + "".join(f"{one:>{width}}" for one in said))
    some = rows[rows["variant"] == VARIANTS[0]]
    print(
        f"{len(some)} circuits, {some['positive'].sum()} positive,"
        f" {some['detectable'].sum()} detectable"
    )


def main() -> None:
    """Run and print the study."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.unrecorded")
    parser.add_argument("--cities", type=int, default=6)
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--lights", type=int, default=4000)
    parser.add_argument("--mornings", type=int, default=4)
    parser.add_argument("--reported", type=float, default=0.5)
    args = parser.parse_args()
    parameters = parameters_for(
        args.reported, args.lights, feed_visit_days=FEED_VISIT_DAYS
    )
    began, seeds = time.perf_counter(), range(args.first, args.first + args.cities)
    parts = [of_city(seed, parameters, args.mornings) for seed in seeds]
    show(*(pd.concat(part) for part in zip(*parts, strict=True)))
    for seed in seeds:
        print(f"city {seed}: {contradicted(seed, args.lights // 2)}")
    for seed in seeds:
        events = town(seed)
        for cabinets in (True, False):
            with tempfile.TemporaryDirectory() as folder:
                told = asked(events, Path(folder), cabinets=cabinets)
            hit, false = found(events, told)
            on = "cabinets on record" if cabinets else "no circuit on record"
            print(f"six cable faults, {on}: {hit} found, {false} false")
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
