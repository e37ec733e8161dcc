"""A campaign: replace all units of a batch that are still out there, or wait."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lightwatch.decisions.assumptions import CampaignCosts
from lightwatch.decisions.batches.batches import Batch


@dataclass(frozen=True)
class Between:
    """A number at the batch's ratio, and at the limits of that."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class Campaign:
    """Replacing every unit now, against replacing each when it fails.

    What the new parts spare after two years is not counted.

    Parameters
    ----------
    units
        Units to replace.
    failures_if_not, failures_if_done
        Units expected to fail in the next two years, without and with the campaign.
    avoided
        The former less the latter.
    part, cost
        Of one part and of the whole campaign; None: the price is unknown.
    saved
        What the failures avoided would have cost; None as above.
    net
        Saved less cost; below 0 waiting is cheaper.
    """

    units: int
    failures_if_not: Between
    failures_if_done: float
    avoided: Between
    part: float | None
    cost: float | None
    saved: Between | None
    net: Between | None


def _failing(units: int, expected: float) -> float:
    """Return how many units fail at least once."""
    return -units * math.expm1(-expected / units) if units else 0.0


def campaign(batch: Batch, costs: CampaignCosts | None = None) -> Campaign:
    """Return what replacing all units of a batch now would cost and save.

    Parameters
    ----------
    batch
        Which; its units go on failing at its ratio, new ones fail as peers do when new.
    costs
        Assumptions.
    """
    costs = costs or CampaignCosts()
    units = batch.in_service
    done = _failing(units, batch.next_2y_renewed)
    ratios = (batch.ratio, batch.low, batch.high)
    without = [_failing(units, ratio * batch.next_2y) for ratio in ratios]
    avoided = [one - done for one in without]
    part = batch.unit_cost if costs.part is None else costs.part
    cost, saved, net = None, None, None
    if part is not None:
        cost = units * (part + costs.planned_visit)
        spared = [one * (part + costs.failure_visit) for one in avoided]
        saved = Between(*spared)
        net = Between(*(one - cost for one in spared))
    return Campaign(
        units, Between(*without), done, Between(*avoided), part, cost, saved, net
    )
