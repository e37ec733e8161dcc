"""Again and again: lights, circuits, batches and repairs that need another look."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import pandas as pd

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
from lightwatch.kept import Folder, derived, keeping
from lightwatch.lives import Lives
from lightwatch.rates.growing import recurrence
from lightwatch.rates.hazards import expected


@dataclass(frozen=True)
class Repeats:
    """What fails again, corrected for kind, type and age; worked out when asked."""

    lives: Lives

    @property
    def kept(self) -> Folder | None:
        """What was worked out before of the same lives, if anything was."""
        return self.lives.kept

    @cached_property
    def _own(self) -> pd.DataFrame:
        return own_failures(self.lives, expected(self.lives))

    @derived
    def lights(self) -> list[RepeatLight]:
        """Failed twice or more, or a repair did not hold; greatest excess first."""
        return repeat_lights(self.lives, self._own, self.unheld)

    @derived
    def _places(self) -> tuple[list[Excess], list[Excess]]:
        return by_place(self.lives, self._own)

    @property
    def poles(self) -> list[Excess]:
        """Poles with several lights."""
        found: list[Excess] = self._places[0]
        return found

    @property
    def districts(self) -> list[Excess]:
        """Neighbourhoods."""
        found: list[Excess] = self._places[1]
        return found

    @derived
    def circuits(self) -> list[BadCircuit]:
        """All of ours, most faults to come first."""
        return bad_circuits(self.lives)

    @derived
    def batches(self) -> list[Batch]:
        """Model by year of installation, worst first."""
        return batches(self.lives)

    @derived
    def unheld(self) -> list[Unheld]:
        """Repairs after which the same trouble went on, latest first."""
        return unheld_repairs(self.lives.register)

    @keeping
    def grows(self, level: str) -> frozenset[str]:
        """Return the circuits, or lights, whose trouble grows."""
        found = recurrence(self.lives, level)
        return frozenset(one.name for one in found.growing) if found else frozenset()
