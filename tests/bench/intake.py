"""How long intake takes: ``python -m tests.bench.intake [FOLDER]``.

100,000 lights, 300,000 components and 1,000,000 repairs by the command line: loaded,
loaded again, and with one bad row refused under ``--strict``. Printed: wall seconds,
CPU seconds and peak memory of each.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.big_package import write


def timed(*words: str) -> None:
    """Run a command in a child and print what it took."""
    begun = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-m", "lightwatch.cli", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, used = os.wait4(child.pid, 0)
    wall = time.perf_counter() - begun
    cpu = used.ru_utime + used.ru_stime
    print(
        f"exit {os.waitstatus_to_exitcode(status)}  {wall:6.1f} s wall "
        f"{cpu:6.1f} s CPU {used.ru_maxrss / 1024:6.0f} MB  {' '.join(words[:3])}"
    )


def main(folder: Path) -> None:
    """Write the packages and time the loads."""
    good, bad = folder / "good", folder / "bad"
    write(good)
    write(bad, spoilt=True)
    rejects = str(folder / "rejects.csv")
    store = f"sqlite:///{folder}/store.db"
    other = f"sqlite:///{folder}/other.db"
    for words in (
        ("load", str(good), "--db", store, "--rejects", rejects),
        ("load", str(good), "--db", store, "--rejects", rejects),
        ("load", str(bad), "--strict", "--db", other, "--rejects", rejects),
    ):
        timed(*words)
    print(f"this process peaked at {resource.getrusage(resource.RUSAGE_SELF)[2]} kB")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as temporary:
            main(Path(temporary))
