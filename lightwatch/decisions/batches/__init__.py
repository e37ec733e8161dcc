"""Batches: which model of which year fails more than it should, since when known."""

from lightwatch.decisions.batches.batches import Batch, Judged, batches, judged
from lightwatch.decisions.batches.campaign import (
    Between,
    Campaign,
    campaign,
)
from lightwatch.decisions.batches.units import Unplaced

__all__ = [
    "Batch",
    "Between",
    "Campaign",
    "Judged",
    "Unplaced",
    "batches",
    "campaign",
    "judged",
]
