"""Repeat failures of lights, poles and districts, and what to ask where they are many.

A light's failures are those of its own components; faults of its feed count on the
circuit. What is asked is common practice, no source: a question to check, never an
answer, and never about a person.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.decisions.repeats.excess import Excess, excesses
from lightwatch.decisions.repeats.unheld import Unheld
from lightwatch.lives import Lives
from lightwatch.nights import YEAR
from lightwatch.store.frames import filled

OFTEN = 3
"""So many failures of one kind at one light are a pattern; common practice."""

ODD = 0.01
"""So many failures of many kinds are put down to chance no more; common practice."""

MONTHS = 12.0

QUESTIONS = {
    "photocontrol": "is it rated for this voltage; does water reach the socket?",
    "lamp": "is it of the right wattage and voltage; does the pole shake?",
    "ballast": "is the supply voltage high; is it of the right kind for the lamp?",
    "ignitor": "is it of the right kind for the lamp; is the lamp at its end?",
    "driver": "is there a surge protector, and a sound earth; is the voltage high?",
    "led_module": "is there a surge protector; does water reach the luminaire?",
    "fuse": "what blows it: wet wiring, a failing ballast or driver?",
    "wiring": "does water stand in the base; does anything chafe?",
}
MANY_KINDS = "many kinds fail here: is the neutral sound, the voltage right?"


@dataclass(frozen=True)
class RepeatLight:
    """One light that failed again, or whose repair did not hold.

    Parameters
    ----------
    light_id
        Which.
    excess
        Failures of its own components against those expected.
    unheld, callbacks
        Repairs there that did not hold; of those, with trouble again within a month.
    kinds
        Failures by kind, most first.
    years
        From the first of those failures to the last [years].
    ask
        Questions to check.
    """

    light_id: str
    excess: Excess
    unheld: int
    callbacks: int
    kinds: tuple[tuple[str, int], ...]
    years: float
    ask: tuple[str, ...]

    @property
    def why(self) -> str:
        """Say it in a line."""
        kind, most = self.kinds[0] if self.kinds else ("", 0)
        said = []
        if most > 1:
            said.append(
                f"{kind.replace('_', ' ')} {_times(most)} in {_span(self.years)}"
            )
        elif self.excess.failures > 1:
            said.append(f"{self.excess.failures} failures in {_span(self.years)}")
        if self.unheld:
            said.append(f"{_times(self.unheld)} a repair that did not hold")
        return "; ".join(said) or "failed once"


def _times(count: int) -> str:
    return {1: "once", 2: "twice", 3: "three times"}.get(count, f"{count} times")


def _span(years: float) -> str:
    months = max(round(years * MONTHS), 1)
    if months < 2 * MONTHS:
        return f"{months} month{'s' * (months > 1)}"
    return f"{round(years)} years"


def _asked(excess: Excess, kinds: tuple[tuple[str, int], ...]) -> tuple[str, ...]:
    often = [f"{kind.replace('_', ' ')}: {QUESTIONS[kind]}" for kind, count in kinds
             if count >= OFTEN and kind in QUESTIONS]  # fmt: skip
    odd = len(kinds) >= OFTEN and excess.chance < ODD
    return (*often, *([MANY_KINDS] if odd else []))


def own_failures(lives: Lives, wanted: np.ndarray) -> pd.DataFrame:
    """Return failures and expected failures of lights' own components, by light."""
    frame = lives.frame[["light_id", "failed"]].assign(expected=wanted)
    frame = frame[frame["light_id"] != ""]
    sums = frame.groupby("light_id")[["failed", "expected"]].sum()
    return sums.rename(columns={"failed": "failures"})


def by_place(lives: Lives, own: pd.DataFrame) -> tuple[list[Excess], list[Excess]]:
    """Return the excess of poles with several lights, and of districts."""
    register = lives.register
    poles = register.known.lights.set_index("light_id")["pole_id"]
    pole = filled(poles.reindex(own.index), "")
    shared = pole.map(pole.value_counts()) > 1
    on_poles = own[(shared & (pole != "")).to_numpy()]
    of_poles = on_poles.groupby(pole[on_poles.index]).sum()
    district = filled(own.index.to_series().map(register.district_of), "")
    of_districts = own.groupby(district).sum()
    return excesses(of_poles), excesses(of_districts[of_districts.index != ""])


def repeat_lights(
    lives: Lives, own: pd.DataFrame, unheld: Sequence[Unheld]
) -> list[RepeatLight]:
    """Return lights that failed twice or more, or where a repair did not hold.

    Greatest excess first; what they are drawn to is all lights.
    """
    wrong = Counter(one.light_id for one in unheld)
    back = Counter(one.light_id for one in unheld if one.callback)
    told = own.index[(own["failures"] >= 2) | own.index.isin(list(wrong))]
    frame = lives.frame.loc[lives.frame["failed"], ["light_id", "kind", "end"]]
    failed = frame[frame["light_id"].isin(told)]
    counts = failed.groupby(["light_id", "kind"]).size()
    first, last = (
        failed.groupby("light_id")["end"].agg(which).to_dict()
        for which in ("min", "max")
    )
    kinds: dict[str, list[tuple[str, int]]] = {}
    for (light, kind), count in counts.items():
        kinds.setdefault(str(light), []).append((str(kind), int(count)))
    found = []
    for one in excesses(own, told):
        of = tuple(sorted(kinds.get(one.name, []), key=lambda pair: (-pair[1], pair)))
        years = (last.get(one.name, 0) - first.get(one.name, 0)) / YEAR
        found.append(
            RepeatLight(
                one.name,
                one,
                wrong[one.name],
                back[one.name],
                of,
                float(years),
                _asked(one, of),
            )
        )
    return found
