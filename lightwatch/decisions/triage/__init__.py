"""One light or its feed? What is open, and what to test first."""

from lightwatch.decisions.triage.judge import CircuitJudged
from lightwatch.decisions.triage.outage import VERDICTS, NextTest, Outage
from lightwatch.decisions.triage.triage import (
    METHOD,
    Triage,
    outages,
    triaged,
)

__all__ = [
    "METHOD",
    "VERDICTS",
    "CircuitJudged",
    "NextTest",
    "Outage",
    "Triage",
    "outages",
    "triaged",
]
