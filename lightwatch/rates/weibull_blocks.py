"""Lives made ready for the Weibull likelihood, in blocks that fit in the cache."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from lightwatch.errors import NotUnderstood
from lightwatch.rates.ages import FloatArray, refuse

LIVES_A_BLOCK = 8192
_LOG_OF_ZERO = -1e100
"""So far down that exp(k times it) is zero, yet its square is finite."""


@dataclass(frozen=True)
class Scaling:
    """The unit of age [years] and the centre and spread of each covariate.

    It changes no answer, only how well the numbers behave; all blocks share one.
    """

    unit_years: float
    centre: FloatArray
    spread: FloatArray

    def standard(self, covariates: FloatArray) -> FloatArray:
        """Return covariates in units of their spread about their centre."""
        return np.asarray((covariates - self.centre) / self.spread)


@dataclass(frozen=True)
class Lives:
    """Checked arrays, one entry a life; covariates by column."""

    entry_age: FloatArray
    low: FloatArray
    high: FloatArray
    weights: FloatArray | None
    covariates: Sequence[FloatArray]

    def part(self, begin: int, end: int) -> Lives:
        """Return the lives from one number to another, without copying."""
        cut = slice(begin, end)
        weights = None if self.weights is None else self.weights[cut]
        return Lives(
            self.entry_age[cut],
            self.low[cut],
            self.high[cut],
            weights,
            [one[cut] for one in self.covariates],
        )

    def parts(self, size: int = LIVES_A_BLOCK) -> Iterator[Lives]:
        """Cut the lives into parts of a size that stays in the processor's cache."""
        for begin in range(0, len(self.low), size):
            yield self.part(begin, begin + size)


@dataclass(frozen=True)
class Block:
    """Lives made ready: first the exact failures, then the living, then intervals."""

    exact: int
    single: int
    log_exit: FloatArray
    log_gap: FloatArray
    log_entry: FloatArray | None
    weights: FloatArray | None
    design: FloatArray
    constant: float


def scaling_of(lives: Lives) -> Scaling:
    """Choose a unit of age near the failures and the spread of the covariates.

    Raises
    ------
    NotUnderstood
        A covariate is the same for all, or follows from the others.
    """
    unit = _unit(lives)
    count = len(lives.covariates)
    centre = np.array([one.mean() for one in lives.covariates])
    moments = np.zeros((count, count))
    for part in lives.parts():
        rows = np.array(part.covariates).reshape(count, len(part.low))
        rows -= centre[:, None]
        moments += rows @ rows.T
    spread = np.sqrt(np.diag(moments) / max(len(lives.low), 1))
    small = spread <= 1e-12 * np.maximum(np.abs(centre), 1e-300)
    if small.any():
        raise NotUnderstood(f"covariate {int(np.argmax(small))} is the same for all")
    if count:
        likeness = moments / len(lives.low) / np.outer(spread, spread)
        if np.linalg.eigvalsh(likeness)[0] < 1e-10:
            raise NotUnderstood("the covariates repeat one another")
    return Scaling(unit, centre, spread)


def _unit(lives: Lives) -> float:
    """Return the mean of log age at failure, as an age."""
    total, count = 0.0, 0
    for part in lives.parts():
        ends = part.high[np.isfinite(part.high) & (part.high > 0)]
        total, count = total + float(np.log(ends).sum()), count + len(ends)
    return float(np.exp(total / count)) if count else 1.0


def block(lives: Lives, scaling: Scaling) -> Block:
    """Make a block of lives ready to be summed over."""
    exact = lives.low == lives.high
    refuse(
        exact & (lives.low == 0),
        "fails exactly at age zero; give the interval in which it failed",
    )
    interval = ~exact & np.isfinite(lives.high)
    order = np.argsort(np.where(exact, 0, np.where(interval, 2, 1)), kind="stable")
    single = len(order) - int(interval.sum())
    low, high = lives.low[order], lives.high[order]
    ends = np.concatenate([low[:single], high[single:]])
    with np.errstate(divide="ignore"):
        gap = np.minimum(np.log(high[single:] / low[single:]), -_LOG_OF_ZERO)
    narrow = high[single:] < 1.5 * low[single:]
    widths = (high[single:] - low[single:])[narrow]
    gap[narrow] = np.log1p(widths / low[single:][narrow])
    late = bool(lives.entry_age.any())
    weights = None if lives.weights is None else lives.weights[order]
    design = np.ones((1 + len(lives.covariates), len(order)))
    for row, one, centre, spread in zip(
        design[1:], lives.covariates, scaling.centre, scaling.spread, strict=True
    ):
        row[:] = (one[order] - centre) / spread
    count = int(exact.sum())
    log_density = -np.log(low[:count])
    if weights is not None:
        log_density = log_density * weights[:count]
    return Block(
        exact=count,
        single=single,
        log_exit=_log(ends / scaling.unit_years),
        log_gap=gap,
        log_entry=_log(lives.entry_age[order] / scaling.unit_years) if late else None,
        weights=weights,
        design=design,
        constant=float(log_density.sum()),
    )


def _log(ages: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.asarray(np.maximum(np.log(ages), _LOG_OF_ZERO))
