"""What the office has on paper of the wiring, right or wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tests.rough_town.rules import Roughness
from tests.rough_town.streets import Ints, Streets

BY_CIRCUIT = 0.6
"""Share of the missing sections that are missing with their whole circuit."""


@dataclass(frozen=True)
class Drawings:
    """Wiring on record."""

    circuit: Ints
    """Of each light; -1: blank."""

    section: Ints
    """The light at whose end its section lies, on paper; -1: blank."""

    sections: NDArray[np.bool_]
    """Whether the section that ends at a light is on record."""


def drawn(streets: Streets, rough: Roughness, rng: np.random.Generator) -> Drawings:
    """Draw the drawings."""
    circuit = streets.circuit.copy()
    section = np.arange(streets.lights)
    kept = _sections(streets, rough.no_section, rng)
    u = rng.random(streets.lights)
    wrong = u < rough.wrong_circuit
    circuit[wrong], section[wrong] = _neighbours(streets, np.flatnonzero(wrong))
    blank = ~wrong & (u < rough.wrong_circuit + rough.no_circuit)
    circuit[blank], section[blank] = -1, -1
    section[(section >= 0) & ~kept[section]] = -1
    return Drawings(circuit, section, kept)


def _neighbours(streets: Streets, lights: Ints) -> tuple[Ints, Ints]:
    """Return circuit and section of the nearest light on another circuit."""
    places = np.column_stack((streets.x, streets.y))
    near = np.empty(len(lights), dtype=np.int64)
    _, found = cKDTree(places).query(places[lights], k=min(100, streets.lights))
    for i, (light, row) in enumerate(zip(lights, found, strict=True)):
        other = row[streets.circuit[row] != streets.circuit[light]]
        near[i] = other[0] if len(other) else light
    return streets.circuit[near], near


def _sections(
    streets: Streets, missing: float, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Return which sections are on record: circuits and far ends of others go."""
    kept = np.ones(streets.lights, dtype=bool)
    for circuit in rng.permutation(streets.circuits):
        if (~kept).mean() >= missing * BY_CIRCUIT:
            break
        kept[streets.of_circuit(circuit)] = False
    for light in rng.permutation(streets.lights):
        if (~kept).mean() >= missing:
            break
        if kept[light] and len(gone := streets.beyond(light)) <= 12:
            kept[gone] = False
    return kept
