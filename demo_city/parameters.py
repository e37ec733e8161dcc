"""What is true in the invented city: every rate, share and delay, known exactly."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from zoneinfo import ZoneInfo


@dataclass(frozen=True)
class Life:
    """Weibull life of one kind and type of component, and what weather does to it.

    Cables and lines have one per kilometre; a repair leaves their age as it was.

    Parameters
    ----------
    kind, type
        As in the exchange format.
    shape
        Weibull shape; 1 is a constant hazard.
    scale_years
        Weibull scale [years] in a month of mean weather; for one kilometre.
    freeze_thaw, wet
        Log hazard ratio of one freeze-thaw (wet) day more in the month.
    by_burning
        Whether the hazard follows the hours for which lights are lit in the month.
    """

    kind: str
    type: str
    shape: float
    scale_years: float
    freeze_thaw: float = 0.0
    wet: float = 0.0
    by_burning: bool = False

    def __post_init__(self) -> None:
        if not (self.shape > 0 and self.scale_years > 0):
            raise ValueError(f"{self.kind} {self.type}: shape and scale must be > 0")

    def constant(self) -> Life:
        """Return the memoryless life of the same mean, whatever the weather."""
        mean = self.scale_years * math.gamma(1 + 1 / self.shape)
        return Life(self.kind, self.type, 1.0, mean)


@dataclass(frozen=True)
class Batch:
    """A bad batch: units of one model installed in one year fail more often."""

    model: str
    vintage: int
    hazard_factor: float


LIVES = (
    Life("photocontrol", "thermal", 2.0, 8.0, 0.04, 0.03),
    Life("photocontrol", "electronic", 1.6, 14.0, 0.04, 0.03),
    Life("photocontrol", "long_life", 1.5, 24.0, 0.04, 0.03),
    Life("lamp", "hps", 2.6, 5.5),
    Life("lamp", "mh", 2.4, 4.0),
    Life("ballast", "hps", 1.8, 25.0),
    Life("ballast", "mh", 1.8, 22.0),
    Life("ignitor", "hps", 1.5, 18.0),
    Life("ignitor", "mh", 1.5, 15.0),
    Life("driver", "led", 1.7, 22.0),
    Life("led_module", "led", 2.2, 40.0),
    Life("fuse", "any", 1.0, 60.0),
    Life("wiring", "unknown", 1.0, 150.0, 0.0, 0.03),
    Life("cable", "underground_direct", 1.8, 20.0, 0.0, 0.05),
    Life("cable", "underground_duct", 1.5, 24.0, 0.0, 0.03),
    Life("line", "overhead", 1.0, 12.5),
)

SYMPTOMS = (
    "out",
    "group_out",
    "dayburning",
    "cycling",
    "dim",
    "flickering",
    "knocked_down",
    "other",
)
"""Order in which the city counts symptoms."""

SHOWS: dict[tuple[str, str], dict[str, float]] = {
    ("photocontrol", ""): {"out": 0.55, "dayburning": 0.30, "cycling": 0.15},
    ("lamp", "hps"): {"out": 0.60, "cycling": 0.30, "dim": 0.05, "flickering": 0.05},
    ("lamp", "mh"): {"out": 0.80, "dim": 0.12, "flickering": 0.08},
    ("ballast", ""): {"out": 0.90, "dim": 0.10},
    ("ignitor", ""): {"out": 0.70, "cycling": 0.30},
    ("driver", ""): {"out": 0.75, "flickering": 0.15, "dim": 0.10},
    ("led_module", ""): {"dim": 0.55, "out": 0.30, "flickering": 0.15},
    ("fuse", ""): {"out": 1.0},
    ("wiring", ""): {"out": 0.70, "flickering": 0.20, "other": 0.10},
    ("group", ""): {"out": 0.65, "dayburning": 0.35},
    ("feed", ""): {"out": 1.0},
    ("knockdown", ""): {"knocked_down": 1.0},
}
"""What a failure looks like, by kind and type (blank: any); shares sum to 1."""

REPORT_PER_NIGHT = (0.06, 0.09, 0.012, 0.025, 0.012, 0.02, 0.5, 0.02)
"""Chance per night that somebody reports one light, by symptom."""

NIGHT_HITS = (0.95, 0.95, 0.0, 0.5, 0.4, 0.4, 0.98, 0.3)
DAY_HITS = (0.0, 0.0, 0.9, 0.0, 0.0, 0.0, 0.98, 0.0)


@dataclass(frozen=True)
class Parameters:
    """Everything that decides the city, but for the seed.

    Shares are of 1, rates per unit-year unless the name says otherwise.

    Raises
    ------
    ValueError
        A share outside 0 to 1, a rate below 0, nothing to simulate.
    """

    lights: int = 6000
    years: int = 10
    name: str = "Ambrellow"
    opened_on: date = date(2015, 11, 1)
    timezone: str = "Europe/London"
    longitude: float = -3.412
    latitude: float = 52.287
    lives: tuple[Life, ...] = LIVES
    batch: Batch | None = Batch("TW-E2", 2019, 4.0)
    mh_share: float = 0.18
    led_share: float = 0.12
    converted_share: float = 0.85
    new_share: float = 0.04
    removed_share: float = 0.015
    others_share: float = 0.03
    foreign_feed_share: float = 0.05
    mixed_share: float = 0.06
    group_share: float = 0.18
    circuit_lights: int = 24
    report_per_night: tuple[float, ...] = REPORT_PER_NIGHT
    night_hits: tuple[float, ...] = NIGHT_HITS
    day_hits: tuple[float, ...] = DAY_HITS
    night_patrol_days: int = 70
    day_patrol_days: int = 182
    beat_roads: int = 120
    visit_days: float = 6.0
    feed_visit_days: float = 10.0
    wrong_first_share: float = 0.06
    neighbour_share: float = 0.06
    no_id_share: float = 0.15
    false_reports_per_year: float = 0.02
    knockdowns_per_year: float = 0.003
    vandalism_per_year: float = 0.002
    thefts_per_km_year: float = 0.015
    supply_faults_per_year: float = 0.02
    storms: int = 6
    corrected_share: float = 0.01
    temporary_feed_share: float = 0.35
    staged_cable_faults: int = 2

    def __post_init__(self) -> None:
        if self.lights < 100 or self.years < 2:
            raise ValueError("a city has at least 100 lights and 2 years of records")
        if self.circuit_lights < 1:
            raise ValueError("a circuit of the city feeds one light at least")
        for name, value in vars(self).items():
            if name.endswith("_share") and not 0 <= value <= 1:
                raise ValueError(f"{name} is a share, 0 to 1, not {value}")
            if name.endswith(("_year", "_days")) and value < 0:
                raise ValueError(f"{name} must not be negative")
        for name in ("report_per_night", "night_hits", "day_hits"):
            chances = getattr(self, name)
            if len(chances) != len(SYMPTOMS) or not all(0 <= p <= 1 for p in chances):
                raise ValueError(f"{name} takes one chance for each of {SYMPTOMS}")

    @property
    def created(self) -> datetime:
        """When the package was written: six in the morning, local time."""
        day = self.opened_on.replace(year=self.opened_on.year + self.years)
        return datetime.combine(day, time(6), tzinfo=ZoneInfo(self.timezone))

    def life(self, kind: str, type_: str) -> Life:
        """Return the true life of a kind and type."""
        for life in self.lives:
            if (life.kind, life.type) == (kind, type_):
                return life
        raise KeyError(f"no {kind} of type {type_} in this city")

    def constant(self) -> Parameters:
        """Return the same city with constant hazards, for recovery studies.

        All shapes 1, no weather, no bad batch; every light and feed is ours, and no
        cable runs on a temporary feed, so that a count over a time is a true rate.
        """
        return replace(
            self,
            lives=tuple(life.constant() for life in self.lives),
            batch=None,
            others_share=0.0,
            foreign_feed_share=0.0,
            temporary_feed_share=0.0,
        )

    @classmethod
    def small(cls, *, constant_hazards: bool = False) -> Parameters:
        """Return a village of about 300 lights, for tests."""
        made = cls(lights=300, storms=2, staged_cable_faults=1)
        return made.constant() if constant_hazards else made

    @classmethod
    def city(cls, *, constant_hazards: bool = False) -> Parameters:
        """Return the demo: about 6,000 lights."""
        made = cls()
        return made.constant() if constant_hazards else made

    @classmethod
    def large(cls, *, constant_hazards: bool = False) -> Parameters:
        """Return about 300,000 lights and more than a million repairs."""
        made = cls(
            lights=300_000,
            night_patrol_days=182,
            day_patrol_days=365,
            beat_roads=400,
            storms=40,
            staged_cable_faults=20,
        )
        return made.constant() if constant_hazards else made
