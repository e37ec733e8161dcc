"""Again and again: lights, circuits, batches and repairs that need another look."""

from __future__ import annotations

from dataclasses import dataclass

from lightwatch.decisions.batches import Batch, batches
from lightwatch.decisions.repeats.circuits import BadCircuit, bad_circuits
from lightwatch.decisions.repeats.excess import Excess
from lightwatch.decisions.repeats.lights import (
    RepeatLight,
    by_place,
    own_failures,
    repeat_lights,
)
from lightwatch.decisions.repeats.unheld import Unheld, unheld_repairs
from lightwatch.lives import Lives
from lightwatch.rates.growing import recurrence
from lightwatch.rates.hazards import expected


def growing(lives: Lives, level: str) -> frozenset[str]:
    """Return the circuits, or lights, whose trouble grows."""
    found = recurrence(lives, level)
    return frozenset(one.name for one in found.growing) if found else frozenset()


@dataclass(frozen=True)
class Repeats:
    """What fails again, corrected for kind, type and age.

    Parameters
    ----------
    lights
        Failed twice or more, or with a repair that did not hold; greatest excess first.
    poles, districts
        Poles with several lights; neighbourhoods.
    circuits
        All of ours, most faults to come first.
    batches
        Model by year of installation, worst first.
    unheld
        Repairs after which the same trouble went on, latest first.
    growing
        By level, circuit or light: those whose trouble grows.
    """

    lights: list[RepeatLight]
    poles: list[Excess]
    districts: list[Excess]
    circuits: list[BadCircuit]
    batches: list[Batch]
    unheld: list[Unheld]
    growing: dict[str, frozenset[str]]

    @classmethod
    def of(cls, lives: Lives) -> Repeats:
        """Work it out from the lives."""
        own = own_failures(lives, expected(lives))
        poles, districts = by_place(lives, own)
        wrong = unheld_repairs(lives.register)
        return cls(
            repeat_lights(lives, own, wrong),
            poles,
            districts,
            bad_circuits(lives),
            batches(lives),
            wrong,
            {level: growing(lives, level) for level in ("circuit", "light")},
        )

    def grows(self, level: str) -> frozenset[str]:
        """Return the circuits or lights whose trouble grows."""
        return self.growing.get(level, frozenset())
