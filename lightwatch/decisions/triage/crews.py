"""What crews saw, found and measured who left the trouble open."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.habits import FEED_CAUSES
from lightwatch.decisions.triage.troubles import answers
from lightwatch.nights import DAY
from lightwatch.words import DARK, DEAD, LIVE, LIVE_VOLTS, SHUT, UNANSWERED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


_AT_LIGHTS = ("fuse", "theft")
"""Causes that are a light's own where the work was at a light."""


@dataclass(frozen=True)
class Tests:
    """Readings of voltage at lights, at the far end of sections or at sources.

    ``light`` is a position among the lights asked for, -1 where it was at ``section``,
    the number of a section, or, -1 too, at the source of ``circuit``; ``age`` in
    nights.
    """

    light: Ints
    section: Ints
    circuit: Ints
    age: Floats
    dead: Flags

    def chosen(self, which: Flags) -> Tests:
        """Return some of them."""
        return Tests(*(getattr(self, one.name)[which] for one in fields(self)))


@dataclass(frozen=True)
class Crews:
    """Visits that answered nothing, and what they tell all the same."""

    grid: Grid

    @cached_property
    def left_open(self) -> pd.DataFrame:
        """Visits that left the trouble open."""
        repairs = self.grid.register.known.repairs
        return repairs[
            repairs["action"].isin(UNANSWERED) | (repairs["made_safe"] == "yes")
        ]

    @cached_property
    def found(self) -> tuple[set[str], set[str]]:
        """Sections, and circuits, on which crews found a fault and left it.

        What was worked on later is left out.
        """
        left = self.left_open
        left = left[left["cause"].isin(FEED_CAUSES) & (left["light_id"] == "")]
        done = answers(self.grid.register)
        by_section = done.groupby("section_id")["happened"].max()
        whole = done[(done["section_id"] == "") & (done["light_id"] == "")]
        whole = whole[~whole["named"].astype(bool)]
        by_circuit = whole.groupby("circuit_id")["happened"].max()
        at = left["happened"].astype(float)
        on_section = left["section_id"] != ""
        mended = (
            left["section_id"]
            .map(by_section)
            .where(on_section, left["circuit_id"].map(by_circuit))
        )
        left = left[~(mended.astype(float) > at)]
        on_section = left["section_id"] != ""
        sections = set(left.loc[on_section, "section_id"])
        circuits = set(left.loc[~on_section & ~left["named"], "circuit_id"])
        return sections, circuits - {""}

    @cached_property
    def found_alone(self) -> Floats:
        """By light, when a crew found a fault of its own and left it [instant]."""
        left = self.left_open
        known = ~left["cause"].isin([*FEED_CAUSES, "", "none", "unknown"])
        latest = left[known].groupby("light_id")["happened"].max().astype(float)
        at = latest.reindex(self.grid.light_ids).to_numpy(float)
        found: Floats = np.nan_to_num(at, nan=-np.inf)
        return found

    @cached_property
    def found_feed(self) -> Floats:
        """By light, when a crew there blamed its feed and left it [instant]."""
        left = self.left_open
        feed = left["cause"].isin(FEED_CAUSES) & ~left["cause"].isin(_AT_LIGHTS)
        latest = left[feed].groupby("light_id")["happened"].max().astype(float)
        at = latest.reindex(self.grid.light_ids).to_numpy(float)
        found: Floats = np.nan_to_num(at, nan=-np.inf)
        return found

    @cached_property
    def on_temporary_feed(self) -> set[str]:
        """Sections that a temporary feed stands in for."""
        known = self.grid.register.known
        today = known.clock.at(known.as_of).date().isoformat()
        fed = answers(self.grid.register)
        fed = fed[(fed["section_id"] != "")].sort_values("happened", kind="stable")
        last = fed.groupby("section_id")["temporary_feed_until"].last()
        return set(last.index[last >= today])

    @cached_property
    def looks(self) -> tuple[Ints, Floats, Flags]:
        """What crews saw who left the trouble open: light, when, dark."""
        left = self.left_open
        left = left[(left["symptom_found"] != "") & (left["light_id"] != "")]
        return (
            self.grid.light_ids.get_indexer(pd.Index(left["light_id"])),
            left["happened"].to_numpy(float),
            left["symptom_found"].isin(DARK).to_numpy(),
        )

    @cached_property
    def readings(self) -> pd.DataFrame:
        """Every test of voltage that was logged, in order of time.

        Returns
        -------
        pandas.DataFrame
            ``light``, ``section``, ``circuit``: numbers, -1 for none; ``at``
            [instant]; ``live``: 1, 0, or NaN where it could not be opened; ``volts``,
            NaN where they were not measured; ``repair_id``.
        """
        read = self.left_open
        volts = read["volts"].astype(float)
        live = (volts >= LIVE_VOLTS).astype(float).where(volts.notna())
        live = read["action"].map({LIVE: 1.0, DEAD: 0.0}).astype(float).fillna(live)
        read = read.assign(live=live.mask(read["action"] == SHUT))
        read = read[live.notna() | (read["action"] == SHUT)]
        read = read.sort_values("happened", kind="stable")

        def numbers(of: pd.Index, column: str) -> Ints:
            found = of.get_indexer(pd.Index(read[column], dtype=object))
            return np.asarray(found, dtype=np.int64)

        return pd.DataFrame(
            {
                "light": numbers(self.grid.light_ids, "light_id"),
                "section": numbers(self.grid.section_ids, "section_id"),
                "circuit": numbers(self.grid.circuits, "circuit_id"),
                "at": read["happened"].to_numpy(float),
                "live": read["live"].to_numpy(float),
                "volts": read["volts"].to_numpy(float),
                "repair_id": read["repair_id"].to_numpy(object),
            }
        )

    @cached_property
    def tested(self) -> frozenset[int]:
        """Circuits on which something was read, or could not be opened."""
        read = self.readings
        light, section = read["light"].to_numpy(), read["section"].to_numpy()
        return frozenset(read["circuit"]).union(
            self.grid.circuit[light[light >= 0]],
            self.grid.section_circuit[section[section >= 0]],
        )

    @cached_property
    def _feed_worked(self) -> Floats:
        """By circuit, when its feed was last worked on [instant; -inf: never]."""
        done = answers(self.grid.register)
        done = done[(done["light_id"] == "") & ~done["named"]]
        section = self.grid.section_ids.get_indexer(pd.Index(done["section_id"]))
        circuit = self.grid.circuits.get_indexer(pd.Index(done["circuit_id"]))
        owner = np.where(section >= 0, self.grid.section_circuit[section], circuit)
        at = np.full(len(self.grid.circuits) + 1, -np.inf)
        np.maximum.at(at, owner, done["happened"].to_numpy(float))
        return at[:-1]

    @cached_property
    def _read_at_feeds(self) -> Flags:
        """Which readings were at no light, on a feed not worked on since."""
        read = self.readings
        section = read["section"].to_numpy()
        owner = self.grid.section_circuit[section]
        owner = np.where(section >= 0, owner, read["circuit"])
        worked = np.append(self._feed_worked, np.inf)[owner]
        fresh = read["at"].to_numpy() > worked
        found: Flags = (read["light"].to_numpy() < 0) & (owner >= 0) & fresh
        return found

    @cached_property
    def names(self) -> dict[str, str]:
        """Who made each test of voltage, by repair."""
        asked = list(self.readings["repair_id"])
        found = self.grid.register.known.store.find("repairs", asked)
        return {name: str(row["crew"] or "") for name, row in found.items()}

    def read_since(self, at: Ints, since: Floats) -> pd.DataFrame:
        """Return the readings at some lights and sections since they were worked on.

        As ``readings``; ``row`` is the position of its light in ``at``, -1 for none.
        """
        read = self.readings
        position = np.full(len(self.grid.lights) + 1, -1)
        position[at] = np.arange(len(at))
        row = position[read["light"].to_numpy()]
        fresh = read["at"].to_numpy() > np.append(since, -np.inf)[row]
        kept = np.flatnonzero(np.where(row >= 0, fresh, self._read_at_feeds))
        return read.iloc[kept].assign(row=row[kept])

    def tests(self, at: Ints, since: Floats, now: int) -> Tests:
        """Return what was measured at some lights and sections since work there.

        Their ages are nights before ``now`` [instant].
        """
        read = self.read_since(at, since).dropna(subset="live")
        age = (now - read["at"].to_numpy()) / DAY
        return Tests(
            read["row"].to_numpy(),
            read["section"].to_numpy(),
            read["circuit"].to_numpy(),
            age,
            read["live"].to_numpy() == 0.0,
        )
