"""The full study of Weibull limits: ``python -m tests.bench.weibull_recovery``.

400 towns of late, inspected lives of a known law; how often the truth lies inside the
95 % profile limits. Band: .91 to .9825 (99.9 % of a binomial count of 400 at .95).
"""

from __future__ import annotations

import sys

from tests.recovery.weibull_study import study

TOWNS = 400
BAND = (0.91, 0.9825)


def main(towns: int = TOWNS) -> None:
    """Print the study."""
    rows = study(range(towns))
    print(f"truth inside 95 % profile limits, {towns} towns; band {BAND}")
    print(f"{'':10}{'inside':>8}{'limits below':>14}{'limits above':>14}")
    for name, some in rows.groupby("name", sort=False):
        inside, below, above = (some[c].mean() for c in ("inside", "below", "above"))
        mark = "" if BAND[0] <= inside <= BAND[1] else "  outside the band"
        print(f"{name:10}{inside:8.4f}{below:14.4f}{above:14.4f}{mark}")
    print(f"limits by Wald: {(rows['method'] != 'profile likelihood').sum()}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else TOWNS)
