"""Percent lit: of the lights that patrols passed, those not seen dark."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betainccinv, betaincinv, ndtri

from lightwatch.register import Register
from lightwatch.words import DARK


@dataclass(frozen=True)
class PercentLit:
    """What patrols saw in a time.

    Parameters
    ----------
    passes, lights
        Lights passed, counted each time; different lights.
    roads
        Roads and nights driven: clusters, for lights of a road go dark together.
    dark
        Passes on which a light was noted as dark.
    share, low, high
        Lit, of 1, with 95 % limits; None where no patrol passed.
    """

    passes: int
    lights: int
    roads: int
    dark: int
    share: float | None
    low: float | None
    high: float | None


def lit_limits(
    passes: np.ndarray, dark: np.ndarray, confidence: float = 0.95
) -> tuple[float, float, float]:
    """Return the share lit with limits, from clusters of passes.

    Wilson's limits [1]_ at the number of independent passes that would give the
    variance seen between clusters [2]_; with no light dark, or all, exact ones.

    References
    ----------
    .. [1] E. B. Wilson, JASA 22 (1927), 209-212; from memory.
    .. [2] L. Kish, Survey Sampling (1965), the design effect; from memory.

    Examples
    --------
    >>> share, low, high = lit_limits(np.ones(100), np.repeat([1.0, 0.0], [10, 90]))
    >>> round(share, 2), round(low, 3), round(high, 3)
    (0.9, 0.826, 0.945)
    """
    n, out = float(passes.sum()), float(dark.sum())
    share = 1 - out / n
    if out in (0.0, n):
        tail = (1 - confidence) / 2
        low = 0.0 if out == n else betaincinv(n - out, out + 1, tail)
        high = 1.0 if out == 0 else betainccinv(n - out + 1, out, tail)
        return share, float(low), float(high)
    clusters = len(passes)
    left = dark - (1 - share) * passes
    spread = float((left**2).sum()) * clusters / max(clusters - 1, 1) / n**2
    alone = share * (1 - share) / max(n - 1, 1.0)
    effect = max(spread / alone, 1.0) if clusters > 1 else 1.0
    even, z = n / effect, float(ndtri(0.5 + confidence / 2))
    middle = (share + z**2 / (2 * even)) / (1 + z**2 / even)
    half = share * (1 - share) / even + z**2 / (4 * even**2)
    half = z * np.sqrt(half) / (1 + z**2 / even)
    return share, float(middle - half), float(middle + half)


def percent_lit(register: Register, start: int, end: int) -> PercentLit:
    """Return the percent lit of night patrols that set out in a time."""
    known = register.known
    patrols = known.patrols
    some = patrols[
        (patrols["kind"] == "night")
        & (patrols["happened"] >= start)
        & (patrols["happened"] < end)
    ].drop_duplicates(["patrol_id", "road_id"])
    lights = known.lights[["light_id", "road_id", "entered", "removed"]]
    seen = some[["patrol_id", "road_id", "happened"]].merge(lights, on="road_id")
    there = ~(seen["entered"].astype(float) > seen["happened"])
    there &= ~(seen["removed"].astype(float) <= seen["happened"])
    seen = seen[there & (seen["road_id"] != "")]
    if seen.empty:
        return PercentLit(0, 0, 0, 0, None, None, None)
    noted = known.sightings[known.sightings["state"].isin(DARK)]
    noted = noted[["patrol_id", "light_id"]].drop_duplicates().assign(dark=1.0)
    seen = seen.merge(noted, on=["patrol_id", "light_id"], how="left")
    by = seen.assign(dark=seen["dark"].fillna(0.0)).groupby(["patrol_id", "road_id"])
    sums = by["dark"].agg(["size", "sum"])
    share = lit_limits(sums["size"].to_numpy(float), sums["sum"].to_numpy(float))
    return PercentLit(
        int(sums["size"].sum()),
        int(seen["light_id"].nunique()),
        len(sums),
        int(sums["sum"].sum()),
        *share,
    )
