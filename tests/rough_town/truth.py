"""What is so in a rough town, whatever its records say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.rough_town.streets import Ints


@dataclass(frozen=True)
class Truth:
    """The truth; times are days since the register was opened."""

    days: int
    """Length of the record."""

    circuit: Ints
    """True circuit of each light."""

    recorded_circuit: Ints
    """Circuit on record; -1: none."""

    sections_on_record: NDArray[np.bool_]
    """Whether the section that ends at a light is on record."""

    feeds: pd.DataFrame
    """Shared faults: kind, type, circuit, section (a light's number; -1: none), start,
    end, noticed, lights (how many are dark)."""

    feed_lights: tuple[Ints, ...]
    storms: pd.DataFrame
    """Start, end, whether a restoration is written, lights (how many)."""

    storm_lights: tuple[Ints, ...]
    own: pd.DataFrame
    """Failures of lights' own parts: light, kind, type, symptom, start, end, noticed,
    and of a wrong first repair ``wrong_at`` and ``back``."""

    intervals: pd.DataFrame
    """Every stretch of trouble: light, start, end, symptom, trouble."""

    hazards: pd.DataFrame
    """Kind, type, exposure [unit-years or km-years], failures, rate_per_1000 (the mean
    hazard over that exposure)."""

    reports: pd.DataFrame
    """Time, true light, light named or told, trouble, report_id."""

    repairs: pd.DataFrame
    """Repair_id, performed, recorded, trouble, light, wrong (a good part was changed
    while another was at fault), back (when trouble was back)."""

    sightings: pd.DataFrame
    """Patrol, light, state and time."""

    def dark_at(self, day: float) -> Ints:
        """Return the lights that are dark at an instant."""
        rows = self.intervals
        now = (rows["start"] <= day) & (rows["end"] > day) & (rows["symptom"] == "out")
        return np.unique(rows.loc[now, "light"].to_numpy(dtype=np.int64))

    def feeds_at(self, day: float) -> pd.DataFrame:
        """Return the shared faults open at an instant."""
        return self.feeds[(self.feeds["start"] <= day) & (self.feeds["end"] > day)]

    def storms_at(self, day: float) -> pd.DataFrame:
        """Return the storms going on at an instant."""
        return self.storms[(self.storms["start"] <= day) & (self.storms["end"] > day)]

    @property
    def wrong_repairs(self) -> pd.DataFrame:
        """Repairs that changed a good part, the trouble going on or coming back."""
        return self.repairs[self.repairs["wrong"]]


def all_intervals(
    own: pd.DataFrame,
    feeds: pd.DataFrame,
    feed_lights: tuple[Ints, ...],
    storms: pd.DataFrame,
    storm_lights: tuple[Ints, ...],
) -> pd.DataFrame:
    """Return every stretch of trouble of every light."""
    first = own.assign(trouble=[f"own-{i}" for i in own.index])
    back = first[first["back"].notna()]
    mine = [
        first.assign(end=first["wrong_at"].fillna(first["end"])),
        back.assign(start=back["back"]),
    ]
    columns = ["light", "start", "end", "symptom", "trouble"]
    parts = [one[columns] for one in mine]
    for name, table, lights in (
        ("feed", feeds, feed_lights), ("storm", storms, storm_lights)
    ):  # fmt: skip
        sizes = [len(some) for some in lights]
        if sum(sizes):
            frame = pd.DataFrame({"light": np.concatenate(lights)})
            for column in ("start", "end"):
                frame[column] = np.repeat(table[column].to_numpy(), sizes)
            number = np.repeat(np.arange(len(sizes)), sizes)
            frame["symptom"], frame["trouble"] = "out", [f"{name}-{i}" for i in number]
            parts.append(frame)
    return pd.concat(parts, ignore_index=True)
