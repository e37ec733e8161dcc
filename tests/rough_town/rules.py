"""How untidy a town's storms, drawings and papers are."""

from __future__ import annotations

from dataclasses import dataclass
from zlib import crc32

import numpy as np

YEAR = 365.25
"""Days of a year."""


@dataclass(frozen=True)
class Roughness:
    """Knobs; all shares are of rows or of lights."""

    storms_a_year: float = 0.0
    """Outages of another utility's supply."""

    unwritten: float = 0.35
    """Share of storms that leave no row of restoration."""

    damage: float = 0.015
    """Chance that a storm breaks a part of a light in its area."""

    no_circuit: float = 0.0
    """Lights without circuit on record."""

    wrong_circuit: float = 0.0
    """Lights on a neighbour's circuit on record."""

    no_section: float = 0.0
    """Sections that are not on record."""

    no_number: float = 0.0
    """Repairs without a report's number."""

    no_light: float = 0.0
    """Repairs of a light that do not name it: half the report, half its circuit."""

    late: float = 0.0
    """Repairs recorded days to weeks later."""


PRESETS = {
    "clean": Roughness(),
    "storms": Roughness(storms_a_year=4.0),
    "drawings": Roughness(no_circuit=0.10, wrong_circuit=0.03, no_section=1 / 3),
    "lost": Roughness(no_number=0.5, no_light=0.10, late=0.35),
    "mild": Roughness(
        storms_a_year=2.0, no_circuit=0.03, wrong_circuit=0.01, no_section=0.10,
        no_number=0.15, no_light=0.03, late=0.10,
    ),
    "medium": Roughness(
        storms_a_year=4.0, no_circuit=0.10, wrong_circuit=0.03, no_section=1 / 3,
        no_number=0.5, no_light=0.10, late=0.35,
    ),
    "bad": Roughness(
        storms_a_year=7.0, unwritten=0.6, damage=0.03, no_circuit=0.25,
        wrong_circuit=0.06, no_section=0.6, no_number=0.75, no_light=0.20, late=0.6,
    ),
}  # fmt: skip


def stream(seed: int, what: str) -> np.random.Generator:
    """Return the random numbers of one purpose; no purpose disturbs another's."""
    return np.random.default_rng([seed, crc32(what.encode())])
