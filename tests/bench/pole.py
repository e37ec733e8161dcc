"""The loop of tests at poles: ``python -m tests.bench.pole [faults] [seeds]``.

On the demo city and two other seeds, cable faults are put on sections and the loop
card, test, card is played until the card names the section to open: tests made against
the number that the first card gave, halving the circuit by length, walking out from
the source; then again with one reading in 20 wrong.
"""

from __future__ import annotations

import argparse
import time

import pandas as pd

from demo_city import Parameters
from tests.recovery.pole_study import study, town

FAULTS, SEEDS = 200, 3
WRONG = 0.05


def show(name: str, rows: pd.DataFrame) -> None:
    """Print one table in a line or two."""
    mean = rows.mean()
    error = rows["tests"].std() / len(rows) ** 0.5
    print(
        f"{name}: {len(rows)} faults, {mean['sections']:.0f} sections a circuit; "
        f"tests {mean['tests']:.2f} +- {error:.2f}, first card said "
        f"{mean['expected']:.2f}; most {rows['tests'].max()}"
    )
    print(
        f"   halving by length {mean['halving']:.2f}, "
        f"walking out {mean['walking']:.2f}; right section {mean['right']:.1%}, "
        f"no card any more {mean['lost']:.1%}, "
        f"never ended {int(rows['looped'].sum())}"
    )


def main() -> None:
    """Run and print the bench."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.pole")
    parser.add_argument("faults", nargs="?", type=int, default=FAULTS)
    parser.add_argument("seeds", nargs="?", type=int, default=SEEDS)
    asked = parser.parse_args()
    every: dict[float, list[pd.DataFrame]] = {0.0: [], WRONG: []}
    for seed in range(1, asked.seeds + 1):
        began = time.perf_counter()
        with town(Parameters.city(), seed) as opened:
            for wrong, tables in every.items():
                count = asked.faults // asked.seeds + (
                    seed <= asked.faults % asked.seeds
                )
                tables.append(study(opened, count, wrong))
                show(f"seed {seed}, {wrong:.0%} wrong", tables[-1])
        print(f"   {time.perf_counter() - began:.0f} s", flush=True)
    for wrong, tables in every.items():
        show(f"all, {wrong:.0%} wrong", pd.concat(tables))


if __name__ == "__main__":
    main()
