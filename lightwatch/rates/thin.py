"""Thin groups: rates drawn towards those of their like, with posterior limits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.poisson import Rate
from lightwatch.rates.rates import RateRow
from lightwatch.rates.shrinkage import shrink


def _counted(row: RateRow) -> float:
    return row.unit_years if np.isnan(row.counted_years) else row.counted_years


def shrunk(rows: Sequence[RateRow]) -> list[Rate | None]:
    """Return each group's rate drawn towards those of the same kind.

    Groups of one kind (and unit) share a gamma law of rates, estimated from them all,
    and so do groups of several kinds; None where nothing of the kind was watched.

    Parameters
    ----------
    rows
        As :func:`lightwatch.rates.rates` gives them.
    """
    found: list[Rate | None] = [None] * len(rows)
    kinds: dict[tuple[str, str], list[int]] = {}
    for i, row in enumerate(rows):
        kinds.setdefault((row.kind, row.unit), []).append(i)
    for some in kinds.values():
        watched = [i for i in some if rows[i].unit_years > 0]
        try:
            law = shrink(
                [rows[i].failures for i in watched],
                [_counted(rows[i]) for i in watched],
            )
        except NotEnoughEvidence:
            continue
        for at, i in enumerate(watched):
            found[i] = Rate(
                float(law.rate[at]), float(law.low[at]), float(law.high[at])
            )
    return found
