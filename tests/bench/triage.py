"""The study of triage: ``python -m tests.bench.triage [cities] [p ...]``.

Invented cities of 20,000 lights, each judged on eight mornings: how often a circuit
said to be faulted is, and the other way round; whether chances mean what they say;
whether the section is found; how counting, clustering and testing for excess do on the
same mornings. Each figure with its Monte Carlo standard error. Options: ``--lights N``,
``--mornings N``, ``--workers N`` (processes), ``--false N`` (so many times the usual
false reports), ``--circuit N`` (most lights, and so sections, on a circuit).
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

from demo_city import Parameters
from tests.recovery.triage_measures import (
    Measure,
    baselines,
    f_score,
    measured,
    measures,
    precision,
    recall,
    scored,
)
from tests.recovery.triage_study import MORNINGS, Study, study

CITIES = 16
REPORTED = (0.1, 0.3, 0.5, 0.7, 0.9)


@dataclass(frozen=True)
class Goal:
    """A figure to reach at each chance of being reported."""

    least: dict[float, float]
    most: bool = False

    def met(self, reported: float, found: Measure) -> str:
        """Say whether it is reached."""
        goal = self.least.get(reported)
        if goal is None:
            return ""
        good = found.value <= goal if self.most else found.value >= goal
        return f"{'<=' if self.most else '>='} {goal:g} {'yes' if good else 'NO'}"


def _everywhere(goal: float) -> dict[float, float]:
    return dict.fromkeys(REPORTED, goal)


GOALS = {
    "precision": Goal(_everywhere(0.92)),
    "recall of detectable": Goal(
        {0.1: 0.74, 0.3: 0.74, 0.5: 0.84, 0.7: 0.88, 0.9: 0.88}
    ),
    "calibration error": Goal(_everywhere(0.01), most=True),
    "Brier / base rate's": Goal(dict.fromkeys(REPORTED[1:], 0.5), most=True),
    "same lamps: top 3": Goal({0.3: 0.74, 0.5: 0.78, 0.7: 0.82, 0.9: 0.9}),
    "tests to one section": Goal(_everywhere(3.0), most=True),
    "tests, >= 36 sections": Goal(_everywhere(3.0), most=True),
}


def show(reported: float, found: Study) -> None:
    """Print the tables of one chance of being reported."""
    circuits = found.circuits
    rows = scored(found)
    print(
        f"\np = {reported:g}: {circuits['seed'].nunique()} cities,"
        f" {len(found.seconds)} mornings, {int(rows['judged'].sum())} circuits judged,"
        f" {int(rows['positive'].sum())} positive,"
        f" {int(rows['detectable'].sum())} detectable;"
        f" {found.seconds.mean():.1f} s a morning"
    )
    mended = circuits[circuits["off_record"]]
    print(
        f"left out: {len(mended)} mended but not on record,"
        f" of which {int((mended['chance'] > 0.5).sum())} said to be faulted"
    )
    every, fresh = measures(found), measures(found, visited=False)
    print(f"{'':24}{'all':>13}{'of':>7}  {'goal':12}{'no crew there yet':>20}{'of':>7}")
    for name, one in every.items():
        goal = GOALS[name].met(reported, one) if name in GOALS else ""
        other = fresh.get(name)
        rest = f"{other!s:>20}{other.of:7}" if other else ""
        print(f"{name:24}{one}{one.of:7}  {goal:12}{rest}")
    _show_baselines(found)


def _show_baselines(found: Study) -> None:
    rows = scored(found)
    print(f"{'':24}{'precision':>13}{'recall':>15}{'of detectable':>15}{'F1':>15}")
    scores = {}
    for name in ("flagged", *baselines(rows)):
        scores[name] = measured(rows, f_score(name)).value
        values = (precision(name), recall(name), recall(name, "detectable"))
        told = "  ".join(str(measured(rows, v)) for v in (*values, f_score(name)))
        print(f"{'triage' if name == 'flagged' else name:24}{told}")
    del scores["flagged"]
    best = max(scores, key=lambda name: (scores[name] == scores[name], scores[name]))
    print(f"best baseline by F1, with hindsight: {best}")


def main() -> None:
    """Run and print the study."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.triage")
    parser.add_argument("cities", nargs="?", type=int, default=CITIES)
    parser.add_argument("reported", nargs="*", type=float, default=list(REPORTED))
    parser.add_argument("--lights", type=int, default=20_000)
    parser.add_argument("--mornings", type=int, default=MORNINGS)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--false", type=float, default=1.0)
    parser.add_argument("--circuit", type=int, default=Parameters.circuit_lights)
    parser.add_argument("--first", type=int, default=0, help="seed of the first city")
    asked = parser.parse_args()
    usual = Parameters.false_reports_per_year
    for reported in asked.reported:
        began = time.perf_counter()
        found = study(
            reported,
            range(asked.first, asked.first + asked.cities),
            asked.lights,
            asked.mornings,
            asked.workers,
            circuit_lights=asked.circuit,
            false_reports_per_year=usual * asked.false,
        )
        show(reported, found)
        print(f"{time.perf_counter() - began:.0f} s in all", flush=True)


if __name__ == "__main__":
    main()
