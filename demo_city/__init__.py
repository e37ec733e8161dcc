"""An invented city whose every truth is known: streets, lights, weather and records.

It writes what a utility would export, in the exchange format, and may not see the
rooms that judge what it writes.
"""

from demo_city.parameters import Parameters
from demo_city.truth import Truth
from demo_city.writing import City, simulate

__all__ = ["City", "Parameters", "Truth", "simulate"]
