"""The service in figures: percent lit, days to repair, backlog, callbacks."""

from lightwatch.decisions.service.jobs import Backlog, Done
from lightwatch.decisions.service.month import Month, months
from lightwatch.decisions.service.percent_lit import PercentLit, lit_limits

__all__ = [
    "Backlog",
    "Done",
    "Month",
    "PercentLit",
    "lit_limits",
    "months",
]
