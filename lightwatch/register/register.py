"""The register: everything that stands, and since when, as known on a day."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from lightwatch.kept import Folder, derived, once
from lightwatch.observations.known import Known
from lightwatch.observations.nearest import EARTH_RADIUS_M, nearest
from lightwatch.register.districts import districts
from lightwatch.register.feeds import paths, told_by_lights
from lightwatch.register.fittings import fittings
from lightwatch.register.reach import reach, tells_causes
from lightwatch.register.spans import spans
from lightwatch.store.frames import filled

__all__ = ["EARTH_RADIUS_M", "Register"]


@dataclass(frozen=True)
class Register:
    """Lights, what hangs on them, and what feeds them, as known on a day.

    ``near_m``: a report that names no light belongs to the nearest up to so far [m];
    None: as far as the spacing of the lights suggests.
    """

    known: Known
    near_m: float | None = None

    @property
    def kept(self) -> Folder | None:
        """What was worked out before of the same records, if anything was."""
        return self.known.kept

    @property
    def as_of(self) -> int:
        """Only what was recorded strictly before this counts [instant]."""
        return self.known.as_of

    @cached_property
    def watched_until(self) -> int:
        """Until when failures can be counted [instant]: as far as repairs reach.

        When the register was opened, where no repair says what had failed.
        """
        end = reach(self).repairs
        begun = min(self.known.opened, self.as_of)
        return end if end is not None and tells_causes(self) else begun

    @derived
    def fittings(self) -> pd.DataFrame:
        """Every component in its place; see :func:`fittings.fittings`."""
        return fittings(self.known)

    @once
    def fittings_of(self, kind: str) -> pd.DataFrame:
        """Those of one kind, without working out the others."""
        return fittings(self.known, kind)

    @derived
    def spans(self) -> pd.DataFrame:
        """How each light stood over time; see :func:`spans.spans`."""
        return spans(self.known)

    @cached_property
    def feeds(self) -> dict[str, tuple[str, ...]]:
        """For each section the sections that feed it, itself first."""
        return paths(self.known.sections)

    @cached_property
    def circuits(self) -> pd.DataFrame:
        """Lighting circuits; the feed as their lights say where they do not."""
        return told_by_lights(self.known.circuits, self.known.lights)

    def feed_of(
        self, circuits: pd.Series[str], lights: pd.Series[str]
    ) -> pd.Series[str]:
        """Return how lights on circuits are fed: overhead, underground, mixed or ''.

        As the circuit says, else as the light does, else as the circuit's others do.
        """
        said, own, others = self._feeds_said
        feed = filled(circuits.map(said), "")
        for names, told in ((lights, own), (circuits, others)):
            if (feed == "").any():
                feed = feed.where(feed != "", filled(names.map(told), ""))
        return feed

    def feed_at(self, circuit: str, light: str) -> str:
        """Return how one light on a circuit is fed, as ``feed_of`` does."""
        said, own, others = self._feeds_said
        told = (said.get(circuit), own.get(light), others.get(circuit))
        return next((str(one) for one in told if one), "")

    @cached_property
    def _feeds_said(self) -> tuple[pd.Series[str], ...]:
        return (
            self.known.circuits.set_index("circuit_id")["feed"],
            self.known.lights.set_index("light_id")["feed"],
            self.circuits.set_index("circuit_id")["feed"],
        )

    @cached_property
    def in_service(self) -> pd.DataFrame:
        """Lights in service now, as the newest export has them."""
        return self.known.lights[self.known.lights["removed"].isna()]

    @derived
    def standing(self) -> pd.DataFrame:
        """Lights in service now, as they stand now, technology included."""
        now = self.spans[self.spans["until"] == np.inf]
        technology = now.set_index("light_id")["technology"]
        lights = self.in_service
        latest = lights["light_id"].map(technology)
        return lights.assign(technology=filled(latest, lights["technology"]))

    @cached_property
    def district_of(self) -> dict[str, str]:
        """For each light its district; see :func:`districts.districts`."""
        lights = self.known.lights
        return dict(zip(lights["light_id"], districts(lights), strict=True))

    @cached_property
    def nearest_station(self) -> dict[str, str]:
        """For each light the nearest weather station, by great-circle distance."""
        stations = self.known.stations.dropna(subset=["longitude", "latitude"])
        lights = self.known.lights
        if stations.empty or lights.empty:
            return {}
        at = nearest(lights, stations)
        names = stations["station_id"].to_numpy()[at]
        return dict(zip(lights["light_id"], names, strict=True))
