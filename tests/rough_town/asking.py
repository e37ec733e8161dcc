"""Ask the product about a rough town, by nothing but its commands."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from typer.testing import CliRunner

from lightwatch.cli import app
from tests.packages import take_in
from tests.rough_town.records import when
from tests.rough_town.rules import YEAR, stream
from tests.rough_town.town import RoughTown
from tests.rough_town.truth import Truth

IN_STORM_HOURS = (2.0, 6.0, 24.0)
AFTER_STORM_DAYS = (3.0, 20.0)


@dataclass
class Asked:
    """A town taken in, and how long it took to answer."""

    town: RoughTown
    url: str
    seconds: list[tuple[str, float]] = field(default_factory=list)

    def _said(self, *words: str) -> str:
        began = time.perf_counter()
        told = CliRunner().invoke(app, [*words, "--db", self.url])
        self.seconds.append((words[0], time.perf_counter() - began))
        if told.exit_code != 0:
            raise AssertionError(
                f"{' '.join(words)}: {told.output}"
            ) from told.exception
        return str(told.stdout)

    def outages(self, day: float) -> list[dict[str, Any]]:
        """Return what is said to be open at an instant."""
        text = self._said("outages", "--as-of", as_of(day), "--json")
        found: list[dict[str, Any]] = json.loads(text)["outages"]
        return found

    def patrol(self, day: int, *, crews: int, hours: float) -> dict[str, Any]:
        """Return the patrol planned at noon of a day, without search."""
        noon = as_of(day + 0.5)
        words = ["--night", noon[:10], "--crews", str(crews), "--hours", str(hours)]
        text = self._said("patrol", *words, "--improve", "0", "--as-of", noon, "--json")
        found: dict[str, Any] = json.loads(text)
        return found

    def rates(self) -> pd.DataFrame:
        """Return rates by kind and type, at the end."""
        return pd.DataFrame(json.loads(self._said("rates", "--json"))["rows"])

    def unheld(self) -> list[str]:
        """Return the repairs that are said not to have held, at the end."""
        found = json.loads(self._said("repeats", "--json"))["unheld_repairs"]
        return [one["repair_id"] for one in found]

    def doubted(self) -> dict[str, str]:
        """Return the lights whose circuit is doubted, at the end, and the likelier."""
        found = json.loads(self._said("answers", "--json"))["circuits_in_doubt"]
        return {one["light_id"]: one["probably_on"] for one in found}


def as_of(day: float) -> str:
    """Return an instant as the commands take it."""
    return f"{when(np.array([day]))[0]}:00+00:00"


def taken(town: RoughTown, folder: Path) -> Asked:
    """Write a town's package and load it into a store beside it."""
    done = take_in(town.write(folder))
    assert not done.outcome.rejects, done.outcome.rejects[:3]
    return Asked(town, f"sqlite:///{folder}.db")


def moments(truth: Truth, seed: int, blind: int, storms: int) -> pd.DataFrame:
    """Return instants to ask at: blind ones of two years, and about the last storms.

    During a storm: some hours after its start, and once a tenth of its lights are told.

    ``day``, ``occasion`` (blind, during, after) and ``storm`` (-1: blind).
    """
    rng = stream(seed, "moments")
    days = np.sort(rng.uniform(truth.days - 2 * YEAR, truth.days - 1, blind))
    rows = [(day, "blind", -1) for day in days]
    for number, storm in list(truth.storms.iterrows())[-storms:] if storms else ():
        length = storm["end"] - storm["start"]
        for hours in IN_STORM_HOURS:
            if hours / 24 < length:
                rows.append((storm["start"] + hours / 24, "during", number))
        tenth = tenth_told(truth, number)
        if tenth < storm["end"]:
            rows.append((max(tenth, storm["start"] + 2 / 24) + 0.01, "during", number))
        for after in AFTER_STORM_DAYS:
            rows.append((storm["end"] + after, f"after {after:g}", number))
    frame = pd.DataFrame(rows, columns=["day", "occasion", "storm"])
    return frame[frame["day"] < truth.days - 0.1].reset_index(drop=True)


def tenth_told(truth: Truth, storm: int) -> float:
    """Return when a tenth of a storm's lights were told of; infinite: never."""
    rows = truth.reports[truth.reports["trouble"] == f"storm-{storm}"]
    rows = rows[rows["told"].isin(truth.storm_lights[storm])].drop_duplicates("told")
    least = int(np.ceil(0.1 * len(truth.storm_lights[storm])))
    return float(rows["at"].iloc[least - 1]) if len(rows) >= least else np.inf
