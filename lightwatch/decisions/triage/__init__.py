"""One light or its feed? What is open, and what to test first."""

from lightwatch.decisions.triage.outage import VERDICTS, NextTest, Outage
from lightwatch.decisions.triage.triage import METHOD, outages

__all__ = ["METHOD", "VERDICTS", "NextTest", "Outage", "outages"]
