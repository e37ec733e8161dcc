"""What a plan and a scenario change in a forecast."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from lightwatch.decisions.stock.drawing import Ahead
from lightwatch.decisions.stock.kinds import KindModel
from lightwatch.decisions.stock.paths import Planned
from lightwatch.decisions.stock.terms import Floats


@dataclass(frozen=True)
class KindChange:
    """A kind as changed: its model, what is replaced and put up, and the hazard."""

    model: KindModel
    planned: tuple[Planned, ...] = ()
    added: Floats | None = None
    factor: Floats | None = None


@dataclass(frozen=True)
class Change:
    """Changes to a forecast.

    Parameters
    ----------
    pace
        Factor on the comings and goings of a stream, by month ahead.
    days
        Days of frost and rain to add, months ahead by covariates, or None.
    dropped
        Models that can no longer be had.
    planned, added
        By kind: what a plan replaces and puts up.
    hazard
        By kind, the factor on the hazard of each month ahead.
    lead_time
        Factor on lead times.
    parts
        Parts that a plan takes, by model, depot and month (from January 1970).
    """

    pace: dict[str, Floats] = field(default_factory=dict)
    days: Floats | None = None
    dropped: frozenset[str] = frozenset()
    planned: dict[str, tuple[Planned, ...]] = field(default_factory=dict)
    added: dict[str, Floats] = field(default_factory=dict)
    hazard: dict[str, Floats] = field(default_factory=dict)
    lead_time: float = 1.0
    parts: dict[tuple[str, str, int], float] = field(default_factory=dict)

    def of_ahead(self, ahead: Ahead) -> Ahead:
        """Return what all kinds share, as changed."""
        lively = {**ahead.lively, **self.pace}
        weather = ahead.weather
        if self.days is not None and weather.shape[3]:
            weather = weather + np.asarray(self.days)[None, None]
        return replace(ahead, lively=lively, weather=weather)

    def of_kind(self, model: KindModel) -> KindChange:
        """Return one kind, as changed."""
        shares = model.sharing.without(self.dropped)
        return KindChange(
            replace(model, sharing=shares) if self.dropped else model,
            self.planned.get(model.kind, ()),
            self.added.get(model.kind),
            self.hazard.get(model.kind),
        )
