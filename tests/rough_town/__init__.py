"""A second simulator: a rough town that writes a data package and keeps the truth.

It shares no code and no law with the demo city. Failures follow frailty, age and
weather; people, crews and records are as untidy as the preset says. Every number in
here is invented; none comes from a measured town.
"""

from __future__ import annotations

from tests.rough_town.rules import PRESETS, Roughness
from tests.rough_town.town import RoughTown, rough_town
from tests.rough_town.truth import Truth

__all__ = ["PRESETS", "RoughTown", "Roughness", "Truth", "rough_town"]
