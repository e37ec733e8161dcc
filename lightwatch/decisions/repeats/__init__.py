"""Repeat failures and bad circuits: more than chance, and what comes next."""

from lightwatch.decisions.repeats.circuits import BadCircuit, SectionAhead, bad_circuits
from lightwatch.decisions.repeats.excess import Excess
from lightwatch.decisions.repeats.lights import RepeatLight
from lightwatch.decisions.repeats.repeats import Repeats
from lightwatch.decisions.repeats.unheld import Unheld

__all__ = [
    "BadCircuit",
    "Excess",
    "RepeatLight",
    "Repeats",
    "SectionAhead",
    "Unheld",
    "bad_circuits",
]
