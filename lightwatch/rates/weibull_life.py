"""A fitted Weibull life: what it says of ages, quantiles and chances, with limits.

The hazard at age t is (k / s) (t / s)^(k - 1) exp(x b): proportional hazards with log
hazard ratios b, or, the same model read the other way, lives stretched by
exp(-x b / k): accelerated failure times.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from lightwatch.errors import NotUnderstood
from lightwatch.rates.ages import FloatArray, column
from lightwatch.rates.newton import Likelihood, Peak
from lightwatch.rates.profile import Anchor, Fixed, Held, Limits, profile
from lightwatch.rates.remaining import mean_remaining
from lightwatch.rates.weibull_blocks import Scaling
from lightwatch.rates.weibull_likelihood import log_rise

OF_THE_LIFE = ("shape", "scale", "b10", "median")
"""What limits may be asked of, besides the covariates by their names."""


@dataclass(frozen=True)
class WeibullFit:
    """A fitted Weibull life.

    ``scale_years`` is the characteristic life (63.2 % have failed) where all covariates
    are zero; ``coefficients`` are log hazard ratios; ``covariance`` is that of
    (log shape, log scale, coefficients) by observed information.
    """

    shape: float
    scale_years: float
    coefficients: FloatArray
    names: tuple[str, ...]
    log_likelihood: float
    covariance: FloatArray
    lives: float
    failures: float
    steps: int
    _likelihood: Likelihood = field(repr=False, compare=False)
    _peak: Peak = field(repr=False, compare=False)
    _scaling: Scaling = field(repr=False, compare=False)

    @property
    def acceleration(self) -> FloatArray:
        """Log factors by which each covariate stretches life: -b / k."""
        return -self.coefficients / self.shape

    @property
    def b10_years(self) -> float:
        """Age by which a tenth have failed [years]."""
        return float(self.quantile(0.1))

    @property
    def median_years(self) -> float:
        """Age by which half have failed [years]."""
        return float(self.quantile(0.5))

    def _at(self, at: ArrayLike | None) -> FloatArray:
        if at is None:
            return np.zeros(len(self.names))
        return column(at, "covariate", len(self.names))

    def scale_at(self, at: ArrayLike | None = None) -> float:
        """Return the characteristic life of a life with these covariates [years]."""
        return self.scale_years * float(np.exp(self._at(at) @ self.acceleration))

    def survival(self, age_years: ArrayLike, at: ArrayLike | None = None) -> FloatArray:
        """Return the share still alive at an age [years]."""
        ratio = np.asarray(age_years, dtype=np.float64) / self.scale_at(at)
        return np.asarray(np.exp(-(ratio**self.shape)))

    def quantile(self, share: ArrayLike, at: ArrayLike | None = None) -> FloatArray:
        """Return the age by which a share has failed [years]."""
        spent = -np.log1p(-np.asarray(share, dtype=np.float64))
        return np.asarray(self.scale_at(at) * spent ** (1 / self.shape))

    def mean_remaining(
        self, age_years: ArrayLike, at: ArrayLike | None = None
    ) -> FloatArray:
        """Return the mean life that remains at an age [years]."""
        return mean_remaining(self.shape, self.scale_at(at), age_years)

    def failure_chance(
        self, age_years: ArrayLike, years: ArrayLike, at: ArrayLike | None = None
    ) -> FloatArray:
        """Return the chance that one alive at an age fails within so many years.

        One minus it is survival to a date that lies so many years ahead.
        """
        ratio = np.asarray(age_years, dtype=np.float64) / self.scale_at(at)
        later = ratio + np.asarray(years, dtype=np.float64) / self.scale_at(at)
        return np.asarray(-np.expm1(ratio**self.shape - later**self.shape))

    def limits(
        self, name: str, confidence: float = 0.95, at: ArrayLike | None = None
    ) -> Limits:
        """Return profile-likelihood limits.

        Parameters
        ----------
        name
            "shape"; "scale", "b10" or "median" [years]; or the name of a covariate,
            for its log hazard ratio.
        confidence
            Of the two-sided limits.
        at
            Covariates of the life that is asked about; all zero unless given. Shape
            and log hazard ratios do not depend on them.

        Raises
        ------
        NotUnderstood
            The fit has nothing of that name.
        """
        if name == "shape":
            return self._found(Fixed(0), float(np.log(self.shape)), confidence, np.exp)
        if name in self.names:
            number = self.names.index(name)
            spread = float(self._scaling.spread[number])
            estimate = float(self.coefficients[number]) * spread
            return self._found(
                Fixed(2 + number), estimate, confidence, lambda b: b / spread
            )
        share = {"scale": -np.expm1(-1.0), "b10": 0.1, "median": 0.5}.get(name)
        if share is None:
            known = ", ".join((*OF_THE_LIFE, *self.names))
            raise NotUnderstood(f"no limits for {name} (expected any of {known})")
        return self.quantile_limits(float(share), confidence, at)

    def quantile_limits(
        self, share: float, confidence: float = 0.95, at: ArrayLike | None = None
    ) -> Limits:
        """Return profile limits of the age by which a share has failed [years]."""
        spent = float(np.log(-np.log1p(-share)))
        unit = float(np.log(self._scaling.unit_years))

        def anchor(target: float, g: float) -> Anchor:
            power = float(np.exp(g)) * (target - unit)
            return Anchor(spent - power, -power, -power, -float(np.exp(g)))

        held = Held(anchor, self._scaling.standard(self._at(at)))
        target = float(np.log(self.quantile(share, at)))
        return self._found(held, target, confidence, np.exp)

    def failure_chance_limits(
        self,
        age_years: float,
        years: float,
        confidence: float = 0.95,
        at: ArrayLike | None = None,
    ) -> Limits:
        """Return profile limits of the chance that one alive fails within years."""
        end = age_years + years
        log_end = float(np.log(end / self._scaling.unit_years))
        log_gap = float(np.log(end / age_years)) if age_years > 0 else 1e100

        def anchor(target: float, g: float) -> Anchor:
            power, gap = np.exp(g) * np.array([log_end]), np.exp(g) * log_gap
            rise, slope, curve = log_rise(power, np.array([gap]))
            level = target - float(power[0] + np.log(rise[0]))
            return Anchor(level, -float(slope[0]), -float(curve[0]), 1.0)

        held = Held(anchor, self._scaling.standard(self._at(at)))
        scale = self.scale_at(at)
        rise = (end / scale) ** self.shape - (age_years / scale) ** self.shape
        target = float(np.log(rise))
        return self._found(held, target, confidence, lambda h: -np.expm1(-np.exp(h)))

    def _found(
        self,
        held: Held | Fixed,
        target: float,
        confidence: float,
        back: Callable[[float], float],
    ) -> Limits:
        found = profile(self._likelihood, self._peak, held, target, confidence)
        return Limits(
            float(back(found.low)), float(back(found.high)), confidence, found.method
        )
