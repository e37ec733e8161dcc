"""Fit the same lives here and on a cluster of two, one of which is then killed.

Run as a program: it prints how far the fits differ, as JSON.
"""

from __future__ import annotations

import json
import os
import signal

import numpy as np
from distributed import LocalCluster

from lightwatch.rates.partitions import Keep, on_cluster
from lightwatch.rates.weibull import fit_weibull


def _lives(count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    age = 30 * rng.weibull(1.6, count)
    entry = rng.uniform(0, 10, count) * (rng.random(count) < 0.5)
    seen = age > entry
    age, entry = age[seen], entry[seen]
    leave = entry + 10
    return entry, np.minimum(age, leave), np.where(age <= leave, age, np.inf)


def _killing(keep: Keep, pid: int) -> Keep:
    def kept(blocks):
        total, calls = keep(blocks), iter(range(1_000_000))

        def killed(theta, step):
            if next(calls) == 3:
                os.kill(pid, signal.SIGKILL)
            return total(theta, step)

        return killed

    return kept


def main() -> None:
    """Print the differences."""
    lives = _lives(60_000)
    alone = fit_weibull(*lives)
    found = {}
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None
        ) as cluster,
        on_cluster(cluster.scheduler_address) as keep,
    ):
        pid = next(iter(cluster.workers.values())).pid
        for name, keeper in (("whole", keep), ("killed", _killing(keep, pid))):
            fit = fit_weibull(*lives, keep=keeper)
            found[name] = [
                fit.shape - alone.shape,
                fit.scale_years - alone.scale_years,
                fit.limits("shape").low - alone.limits("shape").low,
            ]
    print(json.dumps(found))


if __name__ == "__main__":
    main()
