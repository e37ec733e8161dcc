"""Time that weighs other than the failures in it: kilometres, a share on record.

Where only a share of the failures of a kind is on record, those seen come at so much
of the hazard: the time under watch counts for that share, and the failures are whole.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.words import SUPPLY

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def weibull_rows(some: pd.DataFrame) -> dict[str, Any]:
    """Return what a Weibull fit takes.

    Kilometres, and the share of failures on record, weigh time, not failures.
    """
    entry = some["entry_age"].to_numpy(float)
    low, high = some["low_age"].to_numpy(float), some["high_age"].to_numpy(float)
    failed = some["failed"].to_numpy(bool)
    share = some["share"].to_numpy(float)
    length = some["weight"].to_numpy(float)
    if some["kind"].iloc[0] not in SUPPLY:
        until = np.where(failed, low, high)
        if (length != 1.0).any():
            return _in_part(entry, until, high, failed, share, length)
        return {
            "entry_age": entry,
            "low": until,
            "high": np.where(failed, high, np.inf),
            "weights": share,
        }
    at = high[failed]
    return {
        "entry_age": np.concatenate([entry, at * (1 - 1e-9)]),
        "low": np.concatenate([high, at]),
        "high": np.concatenate([np.full(len(high), np.inf), at]),
        "weights": np.concatenate([share * length, share[failed]]),
    }


def _in_part(
    entry: Floats, until: Floats, high: Floats, failed: Flags,
    share: Floats, recorded: Floats,
) -> dict[str, Any]:  # fmt: skip
    """Return what a fit takes where only a share of the failures is on record.

    Failures come at so much of the hazard: the time until then weighs so much less,
    and the failures, whole, begin where that ends.
    """
    lived = until > entry
    ended, begun = high[failed], np.maximum(until, entry)[failed]
    begun = np.where(begun < ended, begun, ended * (1 - 1e-9))
    return {
        "entry_age": np.concatenate([entry[lived], begun]),
        "low": np.concatenate([until[lived], np.maximum(until[failed], begun)]),
        "high": np.concatenate([np.full(int(lived.sum()), np.inf), ended]),
        "weights": np.concatenate([(share * recorded)[lived], share[failed]]),
    }


def of_failures(some: pd.DataFrame) -> Floats:
    """Return what a failure of each life counts: a section's, its kilometres."""
    length = some["weight"].where(some["kind"].isin(list(SUPPLY)), 1.0)
    return np.asarray((some["share"] * length).to_numpy(float))


def apart(
    entry: Floats, leave: Floats, failed: Flags, share: Floats, recorded: Floats
) -> tuple[Floats, Floats, Flags, Floats]:
    """Return time under watch and then failures: ages, which failed, and weights.

    Parameters
    ----------
    entry, leave
        Ages [years].
    failed
        Whether a life ended so.
    share
        How many alike each life stands for.
    recorded
        The share of its failures that is on record.
    """
    begun = np.maximum(leave * (1 - 1e-9), entry)[failed]
    return (
        np.concatenate([entry, begun]),
        np.concatenate([leave, leave[failed]]),
        np.concatenate([np.zeros(len(failed), dtype=bool), failed[failed]]),
        np.concatenate([share * recorded, share[failed]]),
    )
