"""Lights whose behaviour goes against their circuit: probably on a neighbouring one.

Every mended fault of a feed is a test of what hangs on it. A light on it should have
been told of like the others, and not been seen lit before the mend; a light beside it
should not have gone dark with it unless by itself. For each light, what it did in the
faults of its own circuit and of those beside it is weighed by the same rates as open
troubles are: how soon people tell, how often a patrol notes, how often a light fails by
itself. Their product is a Bayes factor of being on the other circuit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import KDTree

from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.crowd import noticed
from lightwatch.decisions.triage.experience import Experience
from lightwatch.decisions.triage.habits import level_of_work
from lightwatch.decisions.triage.likely_feeds import JOIN_M
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.troubles import told_of_lights
from lightwatch.nights import DAY
from lightwatch.words import DARK, UNANSWERED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WRONG = 0.05
"""Share of lights on record with another circuit than theirs; no source."""

SURE = 0.8
"""Lights as likely as this not to be on their circuit are listed."""

FEWEST = 2
"""Faults that must go against the record."""

HELD = 0.95
"""Share of faults that keep all they feed dark until they are mended; no source."""

BESIDE = 12
"""Neighbours among which other circuits are looked for."""

CIRCUITS = 3
"""Other circuits that a light is held against, the nearest."""

_BEFORE_DAYS, _AFTER_DAYS = 7.0, 21.0


_HISTORY = (
    "light", "circuit", "light_id", "on", "circuit_id", "dark_with", "lit_without",
    "log_factor",
)  # fmt: skip


@dataclass(frozen=True)
class Misdrawn:
    """A light that is probably on another circuit than its record says.

    Parameters
    ----------
    light_id, circuit_id, probably_on
        The light, its circuit on record, and the one that it behaves like.
    probability
        That it is not on its circuit on record.
    dark_with
        Mended faults of the other circuit with which it went dark.
    lit_without
        Mended faults of its own circuit during which it was seen lit.
    """

    light_id: str
    circuit_id: str
    probably_on: str
    probability: float
    dark_with: int
    lit_without: int

    def __str__(self) -> str:
        """Say it as a line of a list."""
        times = {1: "once", 2: "twice"}
        said = []
        if self.dark_with:
            count = times.get(self.dark_with, f"{self.dark_with} times")
            said.append(f"dark with it {count}")
        if self.lit_without:
            count = times.get(self.lit_without, f"{self.lit_without} times")
            said.append(f"lit {count} while its own was dead")
        return (
            f"{self.light_id} is on circuit {self.circuit_id} on record, but probably "
            f"on {self.probably_on}; check: {', '.join(said)}"
        )


@dataclass(frozen=True)
class _Histories:
    """What lights did during the mended faults of feeds."""

    signs: Signs
    known: Experience

    @cached_property
    def faults(self) -> pd.DataFrame:
        """Lights that mended faults touched: ``light``, ``repair``, ``began``, ``day``.

        ``began`` is the first sign of any of them [days]; faults that nobody noticed
        are left out.
        """
        register = self.signs.register
        repairs = register.known.repairs
        mends = ~repairs["action"].isin((*UNANSWERED, "no_fault_found"))
        mends &= level_of_work(repairs) != "own"
        lights = noticed(register, repairs[mends])
        first = lights[["told", "seen"]].min(axis=1)
        lights["began"] = first.groupby(lights["repair"]).transform("min")
        lights["light"] = self.signs.grid.light_ids.get_indexer(lights["light_id"])
        kept = lights["began"].notna() & (lights["light"] >= 0)
        return lights.loc[kept, ["light", "repair", "began", "day"]]

    @cached_property
    def beside(self) -> pd.DataFrame:
        """For each light on a circuit the nearest light of circuits beside it."""
        grid = self.signs.grid
        here = np.flatnonzero(grid.on_record)
        place = grid.metres[here]
        count = min(BESIDE + 1, len(here))
        away, near = KDTree(place).query(place, [*range(1, count + 1)])
        light = np.repeat(here, count)
        other = here[np.minimum(near.ravel(), len(here) - 1)]
        table = pd.DataFrame({"light": light, "other": other, "away": away.ravel()})
        table["circuit"] = grid.circuit[other]
        table = table[(table["away"] <= JOIN_M)]
        table = table[table["circuit"] != grid.circuit[table["light"]]]
        table = table.sort_values(["light", "away"], kind="stable")
        table = table.drop_duplicates(["light", "circuit"])
        return table[table.groupby("light").cumcount() < CIRCUITS]

    @cached_property
    def _own_work(self) -> pd.DataFrame:
        repairs = self.signs.register.known.repairs
        own = repairs[(repairs["light_id"] != "") & ~repairs["action"].isin(UNANSWERED)]
        own = own[level_of_work(own) == "own"]
        own = own[own["action"] != "no_fault_found"]
        light = self.signs.grid.light_ids.get_indexer(own["light_id"])
        return pd.DataFrame({"light": light, "at": own["happened"] / DAY})

    @cached_property
    def _told(self) -> pd.DataFrame:
        told = told_of_lights(self.signs.register)
        told = told[told["symptom"].isin(DARK)]
        light = self.signs.grid.light_ids.get_indexer(told["light_id"])
        return pd.DataFrame({"light": light, "at": told["at"] / DAY})

    def did(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return rows of light and fault with what the light did in that time.

        Returns
        -------
        pandas.DataFrame
            The rows, with ``told`` (of or seen dark), ``lit`` (patrols that passed and
            did not note it), ``own`` (its own parts were worked on).
        """
        rows = rows.reset_index(drop=True)
        since, until = rows["began"] - _BEFORE_DAYS, rows["day"]
        light = rows["light"].to_numpy()
        driven, at = self.signs.driven.passes(np.unique(light), "night")
        passed = pd.DataFrame({"light": np.unique(light)[driven], "at": at / DAY})
        return rows.assign(
            told=_within(self._told, light, since, until) > 0,
            own=_within(self._own_work, light, since, until + _AFTER_DAYS) > 0,
            lit=_within(passed, light, rows["began"], until),
        )

    def log_ratio(self, rows: pd.DataFrame) -> Floats:
        """Return ln P(what it did | dark by the fault) - ln P(it | not touched)."""
        rates = self.signs.rates_of(self.known).channel(DARKNESS)
        light = rows["light"].to_numpy()
        nights = (rows["day"] - rows["began"]).to_numpy(float)
        pace = rates.reported_per_night[light] * self.known.crowd.later
        silent = np.exp(-pace * nights)
        lit = (1 - rates.hit) ** rows["lit"].to_numpy(float)
        heard = np.maximum(1 - silent, 0.05)
        dark = np.where(rows["told"], heard, silent) * lit
        noise = rates.own_per_night[light] + rates.false_per_night.sum()
        noise = np.clip(noise * (nights + _BEFORE_DAYS), 1e-3, 0.5)
        alone = np.where(rows["told"], noise, 1 - noise)
        held = HELD * dark + (1 - HELD) * alone
        found: Floats = np.where(rows["own"], 0.0, np.log(held / alone))
        return found


def _within(
    events: pd.DataFrame, light: Ints, since: pd.Series, until: pd.Series
) -> Ints:
    """Count each light's events after one day and up to another."""
    seconds = 86_400.0
    key = np.sort(
        events["light"].to_numpy() * 2**34 + (events["at"] * seconds).to_numpy(np.int64)
    )
    first, last = (
        np.searchsorted(
            key, light * 2**34 + (one * seconds).to_numpy(np.int64), "right"
        )
        for one in (since, until)
    )
    found: Ints = last - first
    return found


def history(signs: Signs, known: Experience) -> pd.DataFrame:
    """Return how lights behaved in the faults of circuits beside their own.

    Returns
    -------
    pandas.DataFrame
        ``light`` and ``circuit`` (numbers of the grid), ``light_id``, ``on`` (circuit
        on record), ``circuit_id`` (the other), ``dark_with`` (faults of the other with
        which it went dark), ``lit_without`` (faults of its own during which it was
        seen lit), ``log_factor`` (of the other circuit against its own).
    """
    past, grid = _Histories(signs, known), signs.grid
    if past.faults.empty or not grid.on_record.any():
        return pd.DataFrame(columns=[*_HISTORY])
    others = past.beside.merge(past.faults.rename(columns={"light": "other"}))
    others, own = past.did(others), past.did(past.faults)
    others["log_factor"] = past.log_ratio(others)
    others["dark_with"] = others["told"] & ~others["own"]
    own["log_factor"] = -past.log_ratio(own)
    own["lit_without"] = (own["lit"] > 0) & ~own["told"] & ~own["own"]
    kept = others.groupby(["light", "circuit"])[["dark_with", "log_factor"]].sum()
    found = kept.reset_index()
    away = own.groupby("light")[["lit_without", "log_factor"]].sum()
    away = away.reindex(found["light"]).fillna(0.0).reset_index(drop=True)
    light = found["light"].to_numpy()
    return found.assign(
        light_id=grid.light_ids[light],
        on=grid.circuits[grid.circuit[light]],
        circuit_id=grid.circuits[found["circuit"]],
        lit_without=away["lit_without"].astype(int),
        dark_with=found["dark_with"].astype(int),
        log_factor=found["log_factor"] + away["log_factor"],
    )


def misdrawn(signs: Signs, known: Experience) -> tuple[Misdrawn, ...]:
    """Return lights that are probably on another circuit, the surest first.

    Parameters
    ----------
    signs
        All that was observed, as known on a day.
    known
        Rates from the records.
    """
    found = history(signs, known)
    if found.empty:
        return ()
    odds = WRONG / CIRCUITS * np.exp(found["log_factor"].astype(float))
    by = odds.groupby(found["light_id"])
    total, most = by.transform("sum"), by.transform("max")
    found = found.assign(chance=total / (1 + total))
    contrary = found["dark_with"] + found["lit_without"] >= FEWEST
    sure = found[(found["chance"] >= SURE) & (odds == most) & contrary]
    sure = sure.drop_duplicates("light_id")
    named = [
        Misdrawn(*one)
        for one in zip(
            sure["light_id"], sure["on"], sure["circuit_id"], sure["chance"],
            sure["dark_with"], sure["lit_without"],
            strict=True,
        )
    ]  # fmt: skip
    return tuple(sorted(named, key=lambda one: (-one.probability, one.light_id)))
