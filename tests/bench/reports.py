"""How long each report takes, and how large it is: ``python -m tests.bench.reports``.

A city of 100,000 lights and four years of records. Time of one processor, first what
every report begins with (records, register, lives), then each report from there, page,
CSV and XLSX written.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from threadpoolctl import threadpool_limits

from demo_city import Parameters
from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from reports.papers import PAPERS, Desk
from reports.papers.faces import written
from tests.recovery.triage_mornings import stored

LIGHTS, YEARS, SEED = 100_000, 4, 3


def main(lights: int = LIGHTS) -> None:
    """Print seconds and sizes."""
    threadpool_limits(1)
    with (
        stored(Parameters(lights=lights, years=YEARS), SEED) as (store, _),
        tempfile.TemporaryDirectory() as out,
    ):
        for name, paper in PAPERS.items():
            begun = time.process_time()
            lived = lives(Register(Known(store, default_as_of(store))))
            read = time.process_time()
            files = written(paper(Desk(lived)), Path(out))
            done = time.process_time()
            size = max(one.stat().st_size for one in files) / 1e6
            print(f"{name:<14} {len(lived.frame):,} lives {read - begun:>6.1f} s,",
                  f"then {done - read:>6.1f} s; {size:.2f} MB at most",
                  flush=True)  # fmt: skip


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
