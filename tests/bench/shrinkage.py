"""Limits drawn towards the others: ``python -m tests.bench.shrinkage [TOWNS]``.

How often 95 % limits of ``rates --drawn`` hold the true rates of groups that differ, by
as much as said or by any amount, of all and by thirds, from half a failure to 10,000 in
a typical group; how many estimates lie outside their own limits; milliseconds a town.
"""

from __future__ import annotations

import sys
import time

from tests.recovery.shrinkage_study import THIRDS, Town, study

TYPICAL = (0.5, 2.0, 10.0, 100.0, 1000.0, 3000.0, 10000.0)
SPREADS = (None, 0.3, 1.0)


def main(towns: int = 100) -> None:
    """Print one line a town's kind."""
    print(
        "spread  failures    all   by truth: low mid high   by estimate: low mid high"
    )
    for spread in SPREADS:
        for typical in TYPICAL:
            start = time.perf_counter()
            rows = study(Town(typical, spread), towns)
            spent = (time.perf_counter() - start) / towns * 1000
            shares = [
                f"{share:.3f}"
                for by in ("truth", "rate")
                for share in rows.groupby(f"by_{by}")["inside"].mean()[list(THIRDS)]
            ]
            print(
                f"{spread or 'any':6}{typical:10,.1f}  {rows['inside'].mean():.3f}   "
                f"{' '.join(shares[:3])}        {' '.join(shares[3:])}   "
                f"{(~rows['own']).sum()} outside their own   {spent:.0f} ms",
                flush=True,
            )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
