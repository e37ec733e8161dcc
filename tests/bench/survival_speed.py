"""Survival fits timed beside lifelines: ``python -m tests.bench.survival_speed``.

Every program runs alone in a process of its own, on the same arrays read from disc.
Times are CPU seconds of the fit, threads included, the best of a few; bytes a life are
the highest memory of the process, arrays included, above what it held after importing.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.simulated_lives import simulate_lives

LIVES = 1_000_000
GROWTH = 10_000_000
FIELDS = ("entry_age", "exit_age", "failed", "low", "high", "covariates")

Answer = dict[str, Any]
Arrays = dict[str, Any]


def ours_late(data: Arrays) -> Answer:
    from lightwatch.rates.weibull import fit_weibull

    high = np.where(data["failed"], data["exit_age"], np.inf)
    fit = fit_weibull(
        data["entry_age"], data["exit_age"], high, covariates=data["covariates"]
    )
    return _said(np.log(fit.scale_years), np.log(fit.shape), fit.acceleration)


def ours_interval(data: Arrays) -> Answer:
    from lightwatch.rates.weibull import fit_weibull

    fit = fit_weibull(
        data["entry_age"], data["low"], data["high"], covariates=data["covariates"]
    )
    return _said(np.log(fit.scale_years), np.log(fit.shape), fit.acceleration)


def ours_kaplan_meier(data: Arrays) -> Answer:
    from lightwatch.rates.nonparametric import kaplan_meier

    curve = kaplan_meier(data["entry_age"], data["exit_age"], data["failed"])
    return {"answer": curve.at([2.0, 5.0, 10.0, 15.0]).tolist()}


def _frame(data: Arrays) -> Any:
    import pandas as pd

    frame = pd.DataFrame(data["covariates"], columns=list("abcd"))
    frame["entry"] = data["entry_age"]
    return frame


def lifelines_late(data: Arrays) -> Answer:
    from lifelines import WeibullAFTFitter

    frame = _frame(data).assign(end=data["exit_age"], failed=data["failed"])
    return _of_lifelines(
        WeibullAFTFitter().fit(frame, "end", "failed", entry_col="entry")
    )


def lifelines_interval(data: Arrays) -> Answer:
    from lifelines import WeibullAFTFitter

    frame = _frame(data).assign(low=data["low"], high=data["high"])
    fitter = WeibullAFTFitter()
    return _of_lifelines(
        fitter.fit_interval_censoring(frame, "low", "high", entry_col="entry")
    )


def lifelines_kaplan_meier(data: Arrays) -> Answer:
    from lifelines import KaplanMeierFitter

    fitter = KaplanMeierFitter()
    fitter.fit(data["exit_age"], data["failed"], entry=data["entry_age"])
    survival = fitter.survival_function_at_times([2.0, 5.0, 10.0, 15.0])
    return {"answer": survival.tolist()}


def _of_lifelines(fit: Any) -> Answer:
    stretch = fit.params_["lambda_"]
    log_shape = fit.params_["rho_"]["Intercept"]
    return _said(stretch["Intercept"], log_shape, stretch[list("abcd")])


def _said(log_scale: float, log_shape: float, stretch: Any) -> Answer:
    return {"answer": [float(log_scale), float(log_shape), *map(float, stretch)]}


TASKS: dict[str, Callable[[Arrays], Answer]] = {
    "late ours": ours_late,
    "late lifelines": lifelines_late,
    "interval ours": ours_interval,
    "interval lifelines": lifelines_interval,
    "curve ours": ours_kaplan_meier,
    "curve lifelines": lifelines_kaplan_meier,
}
TITLES = {
    "late": "Weibull, late entry, 4 covariates",
    "interval": "Weibull, late entry and intervals, 4 covariates",
    "curve": "Kaplan-Meier, late entry",
}


def write(folder: Path, count: int) -> None:
    """Draw lives once for all programs."""
    lives = simulate_lives(count, seed=2025)
    for name in FIELDS:
        np.save(folder / f"{name}.npy", getattr(lives, name))


def resident_bytes() -> int:
    status = Path("/proc/self/status").read_text("ascii")
    (line,) = (line for line in status.splitlines() if line.startswith("VmRSS"))
    return 1024 * int(line.split()[1])


def one(task: str, folder: Path) -> None:
    """Run one program alone and print what it took."""
    small = simulate_lives(400, seed=1, watch_years=25)
    TASKS[task]({name: getattr(small, name) for name in FIELDS})
    before = resident_bytes()
    data = {name: np.load(folder / f"{name}.npy") for name in FIELDS}
    repeats = 3 if "ours" in task or "curve" in task else 1
    cpu, wall, answer = np.inf, np.inf, {}
    for _ in range(repeats):
        begun = time.process_time(), time.perf_counter()
        answer = TASKS[task](data)
        cpu = min(cpu, time.process_time() - begun[0])
        wall = min(wall, time.perf_counter() - begun[1])
    peak = 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    each = (peak - before) / len(data["entry_age"])
    print(json.dumps({**answer, "cpu": cpu, "wall": wall, "peak": peak, "each": each}))


def alone(task: str, folder: Path) -> Answer:
    words = [sys.executable, "-m", "tests.bench.survival_speed", "--one", task]
    done = subprocess.run(
        [*words, str(folder)], capture_output=True, text=True, check=True
    )
    answer: Answer = json.loads(done.stdout.splitlines()[-1])
    return answer


def show(task: str, took: Answer, note: str = "") -> None:
    print(
        f"  {task:12}{took['cpu']:9.3f} s CPU{took['wall']:9.3f} s wall"
        f"{took['peak'] / 1e6:8.0f} MB{took['each']:7.0f} bytes a life{note}"
    )


def main(count: int = LIVES, growth: int = GROWTH) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, count)
        kept = {}
        for kind, title in TITLES.items():
            print(f"{title}, {count:,} lives")
            ours, other = (
                alone(f"{kind} {who}", folder) for who in ("ours", "lifelines")
            )
            kept[kind] = ours
            gap = np.abs(np.subtract(ours["answer"], other["answer"])).max()
            show("ours", ours)
            show("lifelines", other)
            print(f"  {other['cpu'] / ours['cpu']:.1f} x; answers within {gap:.1e}\n")
        if growth > count:
            write(folder, growth)
            print(f"Growth to {growth:,} lives ({growth / count:g} x)")
            for kind in TITLES:
                ours = alone(f"{kind} ours", folder)
                show(kind, ours, f"{ours['cpu'] / kept[kind]['cpu']:7.1f} x the CPU")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2], Path(sys.argv[3]))
    else:
        main(*(int(float(word)) for word in sys.argv[1:]))
