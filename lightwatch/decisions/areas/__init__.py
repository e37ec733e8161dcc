"""Many circuits at once: another's supply or a storm, not as many faults."""

from lightwatch.decisions.areas.alarm import Area, Suspected, areas

__all__ = ["Area", "Suspected", "areas"]
