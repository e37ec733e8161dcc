"""The full recovery study of lives: ``python -m tests.bench.lives_recovery``.

400 invented cities of 800 lights with wear-out, weather, late detection and wrong first
repairs: how often the true shape, scale, B10 and weather ratio of photocontrols and
lamps lie inside their 95 % limits. The band for 400 is 91-98.25 %.
"""

from __future__ import annotations

import sys

from tests.recovery.lives_study import study

CITIES = 400


def main(cities: int = CITIES) -> None:
    """Print the study."""
    rows = study(range(cities))
    table = rows.groupby(["what", "truth"])["inside"].agg(["mean", "size"])
    print(f"truth inside 95 % limits, {cities} cities")
    for (what, truth), row in table.iterrows():
        print(f"{what:8}{truth:9.3f}{row['mean']:8.3f}  of {int(row['size'])}")
    for what, some in rows.groupby("what"):
        print(f"{what:8}{'all':>9}{some['inside'].mean():8.3f}  of {len(some)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else CITIES)
