"""The component models of invented makers, and which of them a store hands out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo_city.days import Flags, Floats, Ints, Texts
from demo_city.parameters import Parameters

NAMES = (
    "model",
    "kind",
    "type",
    "maker",
    "volts_min",
    "volts_max",
    "watts",
    "warranty_years",
    "unit_cost",
    "lead_time_days",
    "lead_time_sd_days",
    "pack_size",
    "minimum_order",
)

# fmt: off
ROWS = (
    ("TW-T1", "photocontrol", "thermal", "Tewsle",
     105, 305, "", 2, 7.2, 30, 7, 12, 24),
    ("TW-E2", "photocontrol", "electronic", "Tewsle",
     105, 305, "", 6, 13.8, 35, 9, 12, 24),
    ("ORV-E", "photocontrol", "electronic", "Orvane",
     105, 530, "", 8, 16.5, 56, 14, 10, 20),
    ("ORV-L", "photocontrol", "long_life", "Orvane",
     105, 530, "", 12, 27.9, 63, 16, 10, 20),
    ("NA100", "lamp", "hps", "Brillet & Co", 90, 250, 100, 2, 14.9, 21, 5, 12, 24),
    ("NA150", "lamp", "hps", "Sölden-Marr", 90, 250, 150, 3, 18.2, 28, 8, 12, 24),
    ("MQ150", "lamp", "mh", "Brillet & Co", 90, 250, 150, 1, 24.5, 21, 5, 12, 12),
    ("BN100", "ballast", "hps", "Hexley", 200, 420, 18, 3, 46.0, 30, 8, 1, 0),
    ("BQ150", "ballast", "mh", "Hexley", 200, 420, 22, 3, 55.0, 30, 8, 1, 0),
    ("GN2", "ignitor", "hps", "Hexley", 200, 420, "", 2, 15.5, 28, 7, 5, 10),
    ("GQ2", "ignitor", "mh", "Hexley", 200, 420, "", 2, 16.5, 28, 7, 5, 10),
    ("DV60", "driver", "led", "Solquist", 105, 420, 60, 10, 63.0, 84, 21, 1, 0),
    ("DV90", "driver", "led", "Tarn Optics", 105, 420, 90, 10, 69.0, 91, 24, 1, 0),
    ("MV60", "led_module", "led", "Solquist", "", "", 56, 10, 138.0, 84, 21, 1, 0),
    ("MV90", "led_module", "led", "Tarn Optics", "", "", 84, 10, 152.0, 91, 24, 1, 0),
    ("FU6", "fuse", "any", "Hexley", 0, 500, "", 0, 2.4, 10, 3, 50, 50),
    ("PL8", "pole", "steel", "Garrow Forge", "", "", "", 15, 640.0, 42, 10, 1, 0),
)
# fmt: on
# Columns as in NAMES.


@dataclass(frozen=True)
class Catalogue:
    """Models in a fixed order, with the true Weibull life of each.

    Parameters
    ----------
    frame
        The models as written.
    shape, scale_days
        Of each model's kind and type; 1 and infinite for what never wears out.
    freeze_thaw, wet
        Log hazard ratio of a day more in the month.
    by_burning
        Whether the hazard follows the hours lit.
    """

    frame: pd.DataFrame
    shape: Floats
    scale_days: Floats
    freeze_thaw: Floats
    wet: Floats
    by_burning: Flags

    @property
    def names(self) -> Texts:
        """Model names."""
        return np.asarray(self.frame["model"], dtype=object)

    @property
    def types(self) -> Texts:
        """Types of the models."""
        return np.asarray(self.frame["type"], dtype=object)

    def index(self, model: str) -> int:
        """Return the place of one model in the catalogue."""
        return int(np.flatnonzero(self.names == model)[0])

    def of(self, kind: str, type_: str) -> Ints:
        """Return the models of a kind and type."""
        frame = self.frame
        wanted = (frame["kind"] == kind) & (frame["type"] == type_)
        return np.flatnonzero(wanted.to_numpy()).astype(np.int64)

    def choose(
        self, kind: str, type_: str, size: int, rng: np.random.Generator
    ) -> Ints:
        """Draw models of a kind and type, each maker as likely."""
        return rng.choice(self.of(kind, type_), size)

    def photocontrols(self, years: Floats, rng: np.random.Generator) -> Ints:
        """Draw the photocontrols that the store handed out at these times [years].

        Thermal ones are used up in the first years; long-life ones come in slowly.
        """
        thermal = np.clip(0.7 - 0.16 * years, 0.0, 0.7)
        long_life = np.clip(0.05 + 0.06 * (years - 2), 0.05, 0.6)
        draw = rng.random(years.size)
        rest = rng.choice(self.of("photocontrol", "electronic"), years.size)
        made = np.where(draw < thermal, self.index("TW-T1"), rest)
        return np.where(draw > 1 - long_life, self.index("ORV-L"), made).astype(
            np.int64
        )


def catalogue(parameters: Parameters) -> Catalogue:
    """Return the catalogue with the true lives of this city."""
    frame = pd.DataFrame(ROWS, columns=pd.Index(NAMES))
    lives = {(life.kind, life.type): life for life in parameters.lives}
    found = [
        lives.get((str(kind), str(type_)))
        for kind, type_ in zip(frame["kind"], frame["type"], strict=True)
    ]
    return Catalogue(
        frame,
        np.array([life.shape if life else 1.0 for life in found]),
        np.array([life.scale_years * 365.25 if life else np.inf for life in found]),
        np.array([life.freeze_thaw if life else 0.0 for life in found]),
        np.array([life.wet if life else 0.0 for life in found]),
        np.array([life.by_burning if life else False for life in found]),
    )
