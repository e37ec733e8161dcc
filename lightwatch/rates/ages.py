"""Ages of lives as arrays, checked once.

Everywhere in these rooms a life is at risk at age t when entry < t <= exit, and a life
that failed in (low, high] did so at an age in that interval: ``low == high`` when the
age is known exactly, ``high = inf`` when it was still alive at ``low``. An entry age of
zero means that it was watched from new.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightwatch.errors import NotUnderstood

FloatArray = NDArray[np.float64]


def column(values: ArrayLike, name: str, length: int | None = None) -> FloatArray:
    """Return one number a life, none of them missing."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or (length is not None and len(array) != length):
        expected = "one number a life" if length is None else f"{length} numbers"
        raise NotUnderstood(f"{name} has shape {array.shape} (expected {expected})")
    refuse(np.isnan(array), f"{name} is missing")
    return array


def refuse(wrong: NDArray[np.bool_], what: str) -> None:
    """Refuse lives that are wrong, saying how many and which is first."""
    if wrong.any():
        count, first = int(wrong.sum()), int(np.argmax(wrong))
        raise NotUnderstood(f"{what}: {count} lives, the first is number {first}")


def weights_of(weights: ArrayLike | None, length: int) -> FloatArray | None:
    """Return how many alike each life stands for; None when each is one."""
    if weights is None:
        return None
    array = column(weights, "weight", length)
    refuse(~((array >= 0) & np.isfinite(array)), "weight is not zero or more")
    return array


def watched(
    entry_age: ArrayLike, exit_age: ArrayLike, failed: ArrayLike
) -> tuple[FloatArray, FloatArray, NDArray[Any]]:
    """Check ages of entry and exit, and what happened at the exit.

    Raises
    ------
    NotUnderstood
        A life leaves before it enters, or fails at the very age at which its watch
        begins: it was never at risk at that age.
    """
    end = column(exit_age, "exit age")
    begun = column(entry_age, "entry age", len(end))
    event = np.asarray(failed)
    if event.shape != end.shape:
        raise NotUnderstood(f"failed has shape {event.shape} (expected {end.shape})")
    refuse(begun < 0, "entry age is below zero")
    refuse(~((end >= begun) & np.isfinite(end)), "exit age is not after entry age")
    refuse(
        (event != 0) & (end == begun) & (begun > 0),
        "fails at the age at which its watch begins (at risk: entry < age <= exit)",
    )
    return begun, end, event


def between(
    entry_age: ArrayLike, low: ArrayLike, high: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Check ages of entry and the interval (low, high] of each failure.

    Raises
    ------
    NotUnderstood
        An age is below zero, an interval ends before it begins, or begins before the
        watch does.
    """
    first = column(low, "low age")
    last = column(high, "high age", len(first))
    begun = column(entry_age, "entry age", len(first))
    refuse(begun < 0, "entry age is below zero")
    refuse(~np.isfinite(first), "low age is not finite")
    refuse(first < begun, "low age is before entry age")
    refuse(last < first, "high age is before low age")
    return begun, first, last
