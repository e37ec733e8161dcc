"""A part of what is known: some lights, and every record that has to do with them.

What follows of a part for its own lights is what follows of the whole, at the cost of
the part. What can only be told from the whole is taken from an earlier picture of it;
where that does not do, :class:`NotApart` says so.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from lightwatch.observations.known import Known
from lightwatch.observations.unnamed import names_no_light, names_report

if TYPE_CHECKING:
    import pandas as pd

    from lightwatch.store import Row


class NotApart(Exception):
    """It cannot be told from a part of the records."""


@dataclass(frozen=True)
class KnownPart(Known):
    """What is known of some lights now.

    Parameters
    ----------
    whole
        All that was known a little before; no export was loaded since, and no row
        replaced.
    light_ids
        The lights.
    placed
        Reports that name no light and were put on one of these.
    """

    whole: Known = field(kw_only=True, repr=False)
    light_ids: frozenset[str] = field(kw_only=True)
    placed: frozenset[str] = field(kw_only=True)

    @property
    def place(self) -> dict[str, Any]:
        """The place, as the whole has it."""
        return self.whole.place

    @property
    def models(self) -> pd.DataFrame:
        """The whole catalogue."""
        return self.whole.models

    @property
    def stations(self) -> pd.DataFrame:
        """All weather stations."""
        return self.whole.stations

    @property
    def weather(self) -> pd.DataFrame:
        """All weather of the whole."""
        return self.whole.weather

    @property
    def _roads(self) -> pd.DataFrame:
        return self.whole._roads

    def versions(self, resource: str) -> dict[str, list[Row]]:
        """Return none: now each row stands as it was said last."""
        return {}

    @cached_property
    def _own(self) -> pd.DataFrame:
        lights = self.whole.lights
        return lights[lights["light_id"].isin(self.light_ids)]

    @cached_property
    def _circuits(self) -> set[str]:
        return set(self._own["circuit_id"]) - {""}

    @cached_property
    def _linked(self) -> dict[str, pd.DataFrame]:
        """Reports and repairs of these lights, and all that hangs on them."""
        names, mends = set(self.placed), set[str]()
        sections = set(self.sections["section_id"])
        known = -1
        while known < (known := len(names) + len(mends)):
            reports = self.rows(
                "reports",
                among={
                    "light_id": self.light_ids,
                    "key": names,
                    "duplicate_of": names,
                },
            )
            names |= {*reports["report_id"], *reports["duplicate_of"]} - {""}
            repairs = self.rows(
                "repairs",
                among={
                    "light_id": self.light_ids,
                    "circuit_id": self._circuits,
                    "section_id": sections,
                    "report_id": names,
                    "supersedes": mends,
                },
            )
            mends |= set(repairs["repair_id"])
            names |= set(repairs["report_id"]) - {""}
        return {"reports": reports, "repairs": repairs}

    def _read(self, resource: str) -> pd.DataFrame:
        if resource in ("reports", "repairs"):
            return self._linked[resource].copy()
        return self.rows(resource, among=self._among(resource))

    def _among(self, resource: str) -> dict[str, AbstractSet[str]]:
        lights: AbstractSet[str] = self.light_ids
        if resource == "lights":
            named = {one for some in self._linked.values() for one in some["light_id"]}
            return {"key": (lights | named) - {""}}
        if resource == "patrols":
            return {"road_id": set(self._own["road_id"]) - {""}}
        if resource == "sightings":
            return {"light_id": lights}
        of_circuits: dict[str, AbstractSet[str]] = {"circuit_id": self._circuits}
        if resource == "circuits":
            return {"key": self._circuits}
        if resource == "sections":
            return of_circuits
        return {"light_id": lights, "circuit_id": self._circuits}

    def at_lights(self, repairs: pd.DataFrame) -> pd.DataFrame:
        """Put repairs that do not say at which light where the whole has put them.

        Raises
        ------
        NotApart
            The whole does not know one of them.
        """
        lost = names_no_light(repairs, self)
        repairs["by_circuit"] = lost
        asked = lost | names_report(repairs)
        if asked.any():
            before = self.whole.repairs
            at = before[before["repair_id"].isin(set(repairs["repair_id"][asked]))]
            light = at.set_index("repair_id")["light_id"]
            found = repairs.loc[asked, "repair_id"].map(light)
            if found.isna().any():
                raise NotApart("a repair does not say at which light")
            repairs.loc[lost, "named"] = True
            repairs.loc[asked, "light_id"] = found
        return repairs
