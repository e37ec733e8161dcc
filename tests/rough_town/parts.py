"""What can fail: parts of lights, group photocontrols, sections and supplies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.rough_town.laws import (
    CIRCUIT_SPREAD,
    LAWS,
    LIGHT_SPREAD,
    NUMBER,
    SCALE,
    SHARED,
    frailty,
)
from tests.rough_town.rules import YEAR
from tests.rough_town.streets import Floats, Ints, Streets

KIND = np.array([law.kind for law in LAWS], dtype=object)
TYPE = np.array([law.type for law in LAWS], dtype=object)

PARTS = {
    "hps": ("lamp", "ballast", "ignitor"),
    "mh": ("lamp", "ballast", "ignitor"),
    "led": ("driver",),
}
PHOTOCONTROLS = (("thermal", 0.35), ("electronic", 0.45), ("long_life", 0.20))


@dataclass
class Parts:
    """One row a unit; what changes when it is replaced is an array to write in."""

    light: Ints
    """Light, or the light at whose end a section lies; -1: of a circuit."""

    circuit: Ints
    law: Ints
    model: Ints
    """Which of the two makers of its kind and type."""

    installed: Floats
    """Day; before the register was opened: negative."""

    frail: Floats
    weight: Floats
    """Units, or kilometres."""

    @property
    def shared(self) -> NDArray[np.bool_]:
        """Units whose failure darkens what they feed."""
        return np.isin(KIND[self.law], SHARED) | (self.light < 0)


def _own(streets: Streets, rng: np.random.Generator) -> tuple[list[Ints], list[Ints]]:
    """Return lights and laws of the parts that lights carry."""
    lights, laws = [], []
    everything = np.arange(streets.lights)
    for technology, kinds in PARTS.items():
        of = everything[streets.technology == technology]
        for kind in kinds:
            lights.append(of)
            laws.append(np.full(len(of), NUMBER[kind, technology]))
    own = everything[~streets.group[streets.circuit]]
    numbers = [NUMBER["photocontrol", name] for name, _ in PHOTOCONTROLS]
    shares = [share for _, share in PHOTOCONTROLS]
    lights.append(own)
    laws.append(rng.choice(numbers, len(own), p=shares))
    for kind, kind_type in (("fuse", "cartridge"), ("wiring", "unknown")):
        lights.append(everything)
        laws.append(np.full(streets.lights, NUMBER[kind, kind_type]))
    lights.append(everything)
    sections = [
        NUMBER["line" if name == "overhead" else "cable", name]
        for name in streets.construction
    ]
    laws.append(np.array(sections))
    return lights, laws


def fitted(streets: Streets, rng: np.random.Generator) -> Parts:
    """Return every unit of a town as it stood when the register was opened."""
    lights, laws = _own(streets, rng)
    group = np.flatnonzero(streets.group)
    sources = np.arange(streets.circuits)
    types = [NUMBER["photocontrol", name] for name in ("thermal", "electronic")]
    light = np.concatenate([*lights, np.full(len(group) + len(sources), -1)])
    law = np.concatenate(
        [*laws, rng.choice(types, len(group)),
         np.full(len(sources), NUMBER["supply", ""])]
    ).astype(np.int64)  # fmt: skip
    circuit = np.where(light >= 0, streets.circuit[light], 0)
    circuit[len(light) - len(group) - len(sources) :] = np.concatenate((group, sources))
    of_circuit = frailty(rng, streets.circuits, CIRCUIT_SPREAD)[circuit]
    of_light = np.append(frailty(rng, streets.lights, LIGHT_SPREAD), 1.0)[light]
    section = np.isin(KIND[law], ("cable", "line"))
    oldest = (2016 - streets.built[circuit]) * YEAR
    age = rng.uniform(0, 1, len(light)) * np.minimum(1.2 * SCALE[law] * YEAR, oldest)
    laid = section | np.isin(KIND[law], ("wiring", "supply"))
    age[laid] = oldest[laid]
    weight = np.ones(len(light))
    weight[section] = streets.length[light[section]] / 1000.0
    return Parts(
        light, circuit, law, rng.integers(0, 2, len(light)), -np.maximum(age, 1.0),
        of_circuit * np.where(section, 1.0, of_light), weight,
    )  # fmt: skip
