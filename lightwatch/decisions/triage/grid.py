"""The network as arrays: lights, circuits and sections by number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lightwatch.decisions.triage.lists import Lists
from lightwatch.decisions.triage.tree import Forest
from lightwatch.decisions.triage.troubles import answers, latest_work
from lightwatch.register import Register
from lightwatch.register.register import EARTH_RADIUS_M

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Names = NDArray[np.object_]

BLOCK_M = 600.0
"""Lights on no circuit are taken for one feed in squares of this side."""

ALONE = "\0"
"""Begins the name of a circuit made up for a light that is on none."""


def _numbered(names: Names, of: pd.Index) -> Ints:
    """Return the number of each name; -1 for those that are not there."""
    return np.asarray(of.get_indexer(pd.Index(names, dtype=object)), dtype=np.int64)


def middle_of(lights: pd.DataFrame) -> Floats:
    """Return the mean longitude and latitude of lights [rad]."""
    place = np.radians(lights[["longitude", "latitude"]].to_numpy(float))
    return np.asarray(place.mean(axis=0) if len(place) else np.zeros(2))


def metres(lights: pd.DataFrame, middle: Floats | None = None) -> Floats:
    """Return positions east and north of a middle, else their own [m]: shape (n, 2)."""
    place = np.radians(lights[["longitude", "latitude"]].to_numpy(float))
    middle = middle_of(lights) if middle is None else middle
    away = (place - middle) * EARTH_RADIUS_M
    return np.asarray(away * np.array([np.cos(middle[1]), 1.0]))


def in_number(light_ids: pd.Index) -> Ints:
    """Return the positions of lights in the order of their identifiers."""
    names = light_ids.to_numpy(object)
    length = np.fromiter(map(len, names), dtype=np.int64, count=len(names))
    return np.lexsort((names.astype(str), length)) if len(names) else length


@dataclass(frozen=True)
class Grid:
    """Lights in service, their circuits and sections, numbered from 0.

    A light on no circuit is on one of its own, whose name begins with ``ALONE``.

    Parameters
    ----------
    register
        What is on record.
    rather
        Circuits of lights that are rather on another than is on record.
    whole
        The network of which this is a part; None where it is the whole.
    """

    register: Register
    rather: Mapping[str, str] = field(default_factory=dict)
    whole: Grid | None = field(default=None, repr=False)

    @cached_property
    def lights(self) -> pd.DataFrame:
        """Lights in service; those rather on another circuit are on no section."""
        lights = self.register.standing.reset_index(drop=True)
        if not self.rather:
            return lights
        other = lights["light_id"].map(self.rather)
        return lights.assign(
            circuit_id=other.fillna(lights["circuit_id"]),
            section_id=lights["section_id"].where(other.isna(), ""),
        )

    @cached_property
    def light_ids(self) -> pd.Index:
        """Identifiers of lights, by number."""
        return pd.Index(self.lights["light_id"], dtype=object)

    @cached_property
    def _circuit_names(self) -> Names:
        name = self.lights["circuit_id"]
        alone = ALONE + self.lights["light_id"]
        return np.asarray(name.where(name != "", alone), dtype=object)

    @cached_property
    def on_record(self) -> Flags:
        """For each light whether its circuit is on record."""
        return np.asarray(self.lights["circuit_id"] != "", dtype=bool)

    @cached_property
    def own_feed(self) -> Names:
        """For each light how it is fed where no circuit says so; '' if unknown."""
        feed: Names = self.lights["feed"].to_numpy(object)
        return feed

    @cached_property
    def circuits(self) -> pd.Index:
        """Names of circuits with lights in service, in order."""
        return pd.Index(sorted(set(self._circuit_names)), dtype=object)

    @cached_property
    def circuit(self) -> Ints:
        """For each light its circuit."""
        return _numbered(self._circuit_names, self.circuits)

    @cached_property
    def unit(self) -> Ints:
        """For each light what fails as one: its circuit, or the block it stands in."""
        block = np.floor(self.metres / BLOCK_M).astype(np.int64)
        number = np.unique(block, axis=0, return_inverse=True)[1].ravel()
        beyond = len(self.circuits) + number
        return np.unique(
            np.where(self.on_record, self.circuit, beyond), return_inverse=True
        )[1].ravel()

    @cached_property
    def lights_of(self) -> Lists:
        """Lights by circuit."""
        return Lists.of(self.circuit, len(self.circuits))

    @cached_property
    def metres(self) -> Floats:
        """Positions of lights, from the middle of the whole [m]."""
        return metres(self.lights, self.middle)

    @cached_property
    def middle(self) -> Floats:
        """The middle of all lights: longitude and latitude [rad]."""
        return self.whole.middle if self.whole else middle_of(self.lights)

    @cached_property
    def near(self) -> cKDTree:
        """Lights by place."""
        return cKDTree(self.metres)

    @cached_property
    def in_number(self) -> Ints:
        """Lights in the order of their identifiers: L9 before L10."""
        return in_number(self.light_ids)

    @cached_property
    def roads(self) -> pd.Index:
        """Road segments with lights."""
        return pd.Index(sorted(set(self.lights["road_id"]) - {""}), dtype=object)

    @cached_property
    def road(self) -> Ints:
        """For each light its road segment, -1 for none."""
        return _numbered(self.lights["road_id"].to_numpy(object), self.roads)

    @cached_property
    def section_ids(self) -> pd.Index:
        """Identifiers of sections, by number."""
        return pd.Index(self.register.known.sections["section_id"], dtype=object)

    @cached_property
    def section(self) -> Ints:
        """For each light its section, -1 if none of its own circuit is on record."""
        number = _numbered(self.lights["section_id"].to_numpy(object), self.section_ids)
        same = self.section_circuit[number] == self.circuit
        return np.where((number >= 0) & same, number, -1)

    @cached_property
    def section_circuit(self) -> Ints:
        """For each section its circuit, -1 if no light is on it; one entry more."""
        names = self.register.known.sections["circuit_id"].to_numpy(object)
        return np.append(_numbered(names, self.circuits), -1)

    @cached_property
    def upstream(self) -> Ints:
        """For each section the one that feeds it, -1 for the source."""
        above = self.register.known.sections["upstream_section_id"].to_numpy(object)
        return _numbered(above, self.section_ids)

    @cached_property
    def km(self) -> Floats:
        """For each section its length [km]; NaN if unknown."""
        length = self.register.known.sections["length_m"].to_numpy(float)
        return np.where(length > 0, length / 1000.0, np.nan)

    @cached_property
    def _sources(self) -> dict[str, tuple[float, float]]:
        known = self.register.known.circuits
        placed = known.dropna(subset=["longitude", "latitude"])
        return {
            str(name): (x, y)
            for name, x, y in zip(
                placed["circuit_id"],
                placed["longitude"],
                placed["latitude"],
                strict=True,
            )
        }

    def source_metres(self, circuit: str) -> Floats | None:
        """Return where a circuit's source is [m], None if that is not on record."""
        if circuit not in self._sources:
            return None
        away = np.radians(self._sources[circuit]) - self.middle
        north = np.cos(self.middle[1])
        return np.asarray(away * [north, 1.0] * np.array(EARTH_RADIUS_M))

    @cached_property
    def sections_of(self) -> Lists:
        """Sections by circuit."""
        return Lists.of(self.section_circuit[:-1], len(self.circuits))

    @cached_property
    def worked(self) -> tuple[Floats, Flags]:
        """When each light, its circuit or its way to the source was last worked on.

        Instants, minus infinite if never; and whether it was proven lit by that.
        """
        found = answers(self.register)
        nowhere = (found["light_id"] == "") & ~found["named"]
        whole = nowhere & (found["section_id"] == "") & (found["circuit_id"] != "")
        own = latest_work(found[found["light_id"] != ""], "light_id")
        circuit = latest_work(found[whole], "circuit_id")
        fed = latest_work(found[found["section_id"] != ""], "section_id")
        parts = [
            own.reindex(self.light_ids).to_numpy(float),
            circuit.reindex(self._circuit_names).to_numpy(float),
            self._on_the_way(fed.reindex(self.section_ids).to_numpy(float)),
        ]
        at = np.nan_to_num([part[:, 0] for part in parts], nan=-np.inf)
        newest, column = np.argmax(at, axis=0), np.arange(len(self.lights))
        proven = np.array([part[:, 1] for part in parts])[newest, column] == 1.0
        return at[newest, column], proven

    def _on_the_way(self, work: Floats) -> Floats:
        """Return for each light the last work between it and its source."""
        last = np.vstack([work, [np.nan, np.nan]])
        for level in Forest(self.upstream).levels[1:] if len(work) else ():
            above = last[self.upstream[level]]
            later = ~(last[level, 0] >= above[:, 0]) & ~np.isnan(above[:, 0])
            last[level[later]] = above[later]
        found: Floats = last[self.section]
        return found

    @cached_property
    def rewired(self) -> Floats:
        """When each light came onto its circuit or section [instant; -inf: always]."""
        spans = self.register.spans
        now = spans[(spans["until"] == np.inf) & np.isfinite(spans["since"])]
        now = now.set_index("light_id")
        before = spans[spans["until"] < np.inf].groupby("light_id").last()
        same = before[["circuit_id", "section_id"]].reindex(now.index)
        differs = (same != now[["circuit_id", "section_id"]]).any(axis=1)
        since = now.loc[differs, "since"].reindex(self.light_ids).to_numpy(float)
        rewired: Floats = np.nan_to_num(since, nan=-np.inf)
        return rewired
