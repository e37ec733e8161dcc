"""Ten days at a time: what fails, when it is noticed, and when it is mended."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.rough_town.laws import LAWS, NUMBER, STEP_DAYS, hazard
from tests.rough_town.parts import KIND, TYPE, Parts
from tests.rough_town.rules import YEAR
from tests.rough_town.streets import Floats, Ints, Streets
from tests.rough_town.watching import Watch, call_time, working_time

WRONG = 0.06
"""Share of troubles of a light's own in which the first repair changes a good part."""

WRONG_AT_FEED = 0.10
"""Share of faults of feeds in which a light's part is changed first, in vain."""

WAIT_DAYS = {"cable": 32.0, "line": 12.0, "supply": 14.0, "photocontrol": 11.0}
"""Median from first notice to the repair of a feed."""

OWN_WAIT_DAYS, OWN_WAIT_SPREAD, WAIT_SPREAD = 6.0, 0.7, 0.5

BY_DAY = {"thermal": 0.40, "electronic": 0.25, "long_life": 0.25}
"""Photocontrols that fail closed: the light burns by day and by night."""

CYCLING, FLICKERING = 0.25, 0.2
"""Lamps that cycle and drivers that flicker at the end of life."""

SLOWER = {"out": 1.0, "dayburning": 0.3, "cycling": 0.5, "flickering": 0.5}
"""Reports of a symptom to those of a light that is out."""

OWN = ("unit", "law", "light", "symptom", "start", "end", "noticed", "by_report",
       "fitted", "model", "wrong_at", "back", "wrong_law", "wrong_model",
       "forced")  # fmt: skip
FEED = ("unit", "law", "light", "circuit", "start", "end", "noticed", "visited",
        "fitted", "model", "wrong_light", "wrong_law", "wrong_model")  # fmt: skip


@dataclass
class Ageing:
    """A town's years, step by step; ``own`` and ``feeds`` are what happened."""

    streets: Streets
    parts: Parts
    watch: Watch
    factors: Floats
    """What weather multiplies hazards by, per step and law."""

    forced: pd.DataFrame
    """Parts that storms break: ``day`` and ``unit``."""

    days: int
    rng: np.random.Generator
    own: list[pd.DataFrame] = field(default_factory=list)
    feeds: list[tuple[object, ...]] = field(default_factory=list)
    dark_lights: dict[int, Ints] = field(default_factory=dict)

    def __post_init__(self) -> None:
        laws = len(LAWS)
        self.expected, self.exposure = np.zeros(laws), np.zeros(laws)
        self.failures = np.zeros(laws, dtype=np.int64)
        self.up_from = np.zeros(len(self.parts.law))
        self.shared = self.parts.shared
        self.resets: list[tuple[float, int]] = []
        self.fleet = pd.Series(np.arange(len(self.parts.law))).groupby(
            self.parts.light
        ).indices  # fmt: skip

    def run(self) -> None:
        """Live through all steps."""
        for step in range(len(self.factors)):
            self._step(step * STEP_DAYS, self.factors[step])

    def _step(self, begin: float, weather: Floats) -> None:
        end = min(begin + STEP_DAYS, self.days)
        self._reset(begin)
        law = self.parts.law
        since = np.maximum(begin, self.up_from)
        risk = np.maximum(0.0, end - since) / YEAR
        rate = hazard(law, since + risk * YEAR / 2 - self.parts.installed)
        rate *= self.parts.frail * weather[law]
        mean = rate * risk * self.parts.weight
        exposed = risk * self.parts.weight
        self.expected += np.bincount(law, mean, len(LAWS))
        self.exposure += np.bincount(law, exposed, len(LAWS))
        u, when = self.rng.random((2, len(law)))
        hit = u < -np.expm1(-mean)
        at = since + when * risk * YEAR
        storm = self._storm(begin, end, at, hit)
        hit |= storm
        self.failures += np.bincount(law[hit], minlength=len(LAWS))
        self.expected += np.bincount(law[storm], minlength=len(LAWS))
        self._feeds(np.flatnonzero(hit & self.shared), at)
        self._own(np.flatnonzero(hit & ~self.shared), at, storm)

    def _storm(
        self, begin: float, end: float, at: Floats, hit: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        now = self.forced[self.forced["day"].between(begin, end, inclusive="left")]
        struck = np.zeros(len(hit), dtype=bool)
        for day, unit in zip(now["day"], now["unit"], strict=True):
            if self.up_from[unit] < day and not hit[unit]:
                struck[unit], at[unit] = True, day
        return struck

    def _reset(self, begin: float) -> None:
        """Begin anew the lives of good parts that were changed before this step."""
        due = [one for one in self.resets if one[0] <= begin]
        self.resets = [one for one in self.resets if one[0] > begin]
        for at, unit in due:
            if self.up_from[unit] <= at:
                self.parts.installed[unit] = at

    def symptoms(self, law: Ints) -> NDArray[np.object_]:
        """Draw what is seen of parts that failed."""
        u = self.rng.random(len(law))
        by_day = np.array([BY_DAY.get(name, 0.0) for name in TYPE[law]])
        said = np.full(len(law), "out", dtype=object)
        said[(KIND[law] == "photocontrol") & (u < by_day)] = "dayburning"
        said[(KIND[law] == "lamp") & (u < CYCLING)] = "cycling"
        said[(KIND[law] == "driver") & (u < FLICKERING)] = "flickering"
        return said

    def _notice(
        self, light: Ints, since: Floats, symptom: NDArray[np.object_]
    ) -> tuple[Floats, NDArray[np.bool_]]:
        slower = np.array([SLOWER[one] for one in symptom])
        told = since + self.rng.exponential(1 / (self.watch.nightly[light] * slower))
        told = call_time(self.rng, told)
        seen = self.watch.next_sighting(light, since)
        seen[symptom == "dayburning"] = np.inf
        return np.minimum(told, seen), told <= seen

    def _wait(self, noticed: Floats, median: float, spread: float) -> Floats:
        wait = self.rng.lognormal(np.log(median), spread, len(noticed))
        return working_time(self.rng, noticed + wait)

    def _own(self, unit: Ints, at: Floats, storm: NDArray[np.bool_]) -> None:
        if not len(unit):
            return
        law, light, start = self.parts.law[unit], self.parts.light[unit], at[unit]
        symptom = self.symptoms(law)
        noticed, by_report = self._notice(light, start, symptom)
        end = self._wait(noticed, OWN_WAIT_DAYS, OWN_WAIT_SPREAD)
        other, wrong_at = self._wrong(unit, end), np.full(len(unit), np.nan)
        back = np.full(len(unit), np.nan)
        some = np.flatnonzero(other >= 0)
        wrong_at[some] = end[some]
        back[some] = end[some] + self.rng.uniform(3, 40, len(some))
        again, _ = self._notice(light[some], back[some], symptom[some])
        end[some] = self._wait(again, OWN_WAIT_DAYS, OWN_WAIT_SPREAD)
        self.resets += list(zip(wrong_at[some], other[some].tolist(), strict=True))
        wrong = self.parts.law[other], self.parts.model[other]
        self._renew(unit, end)
        columns = (unit, law, light, symptom, start, end, noticed, by_report,
                   self.parts.law[unit], self.parts.model[unit], wrong_at, back,
                   *wrong, storm[unit])  # fmt: skip
        self.own.append(pd.DataFrame(dict(zip(OWN, columns, strict=True))))

    def _wrong(self, unit: Ints, end: Floats) -> Ints:
        """Return the good part that is changed first; -1: the right one is."""
        other = np.full(len(unit), -1, dtype=np.int64)
        for i in np.flatnonzero(self.rng.random(len(unit)) < WRONG):
            other[i] = self._another(int(unit[i]))
        return other

    def _another(self, unit: int) -> int:
        light = int(self.parts.light[unit])
        kinds = KIND[self.parts.law[unit]], "wiring", "cable", "line"
        here = [k for k in self.fleet[light] if KIND[self.parts.law[k]] not in kinds]
        return int(self.rng.choice(here))

    def _renew(self, unit: Ints, at: Floats) -> None:
        self.parts.installed[unit], self.up_from[unit] = at, at
        law, number = self.parts.law, self.rng.random(len(unit))
        better = (law[unit] == NUMBER["photocontrol", "thermal"]) & (number < 0.6)
        law[unit[better]] = NUMBER["photocontrol", "electronic"]
        self.parts.model[unit] = self.rng.integers(0, 2, len(unit))

    def dark(self, unit: int) -> Ints:
        """Return the lights that a feed's failure leaves dark."""
        light = int(self.parts.light[unit])
        if light >= 0:
            return self.streets.beyond(light)
        return self.streets.of_circuit(int(self.parts.circuit[unit]))

    def _feeds(self, units: Ints, at: Floats) -> None:
        for unit in units[np.argsort(at[units])].tolist():
            start, law = float(at[unit]), int(self.parts.law[unit])
            lights = self.dark(unit)
            nightly = crowd_rate(self.watch.nightly[lights])
            told = call_time(self.rng, start + self.rng.exponential(1 / nightly, 1))
            seen = self.watch.next_sighting(lights, np.full(len(lights), start)).min()
            noticed = np.minimum(told, seen)
            end = self._wait(noticed, WAIT_DAYS[KIND[law]], WAIT_SPREAD)
            visited = self._wait(noticed, 4.0, 0.4)
            first = visited[0] if visited[0] < end[0] - 1 else np.nan
            wrong = (-1, -1, -1)
            if self.rng.random() < WRONG_AT_FEED and first == first:
                changed = self._in_vain(lights)
                self.resets.append((first, changed))
                parts = self.parts
                wrong = (parts.light[changed], parts.law[changed], parts.model[changed])
            self.dark_lights[len(self.feeds)] = lights
            where = int(self.parts.light[unit]), int(self.parts.circuit[unit])
            self._renew(np.array([unit]), end)
            fitted = self.parts.law[unit], self.parts.model[unit]
            self.feeds.append((unit, law, *where, start, end[0], noticed[0], first,
                               *fitted, *wrong))  # fmt: skip

    def _in_vain(self, lights: Ints) -> int:
        light = int(self.rng.choice(lights))
        kinds = ("lamp", "driver")
        here = [k for k in self.fleet[light] if KIND[self.parts.law[k]] in kinds]
        return int(here[0])


def crowd_rate(nightly: Floats) -> float:
    """Return reports a night of lights dark together: fewer per light than alone."""
    return float(nightly.sum() * len(nightly) ** -0.45)
