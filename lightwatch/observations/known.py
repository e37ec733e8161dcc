"""What was known on a day: the only way in which later rooms see observations.

A run as of a past day must give what a run on that day would have given. So this room
drops what was recorded later, puts back the versions of rows that stood then, and
resolves references again: a light that was not yet in service was not yet on record.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from lightwatch.kept import Folder, derived
from lightwatch.nights import SECOND, LocalTime
from lightwatch.observations.closed import at_the_reports, closed_by, with_originals
from lightwatch.observations.unnamed import at_their_lights
from lightwatch.store import Row, Store

if TYPE_CHECKING:
    import geopandas
    import pandas as pd

_READERS = 2
"""One waits for the database while the other makes its columns."""

_VERSION = ["key", "position", "recorded", "version_recorded"]

_READ = {
    "lights": (
        "light_id", "pole_id", "longitude", "latitude", "road_id", "circuit_id",
        "section_id", "feed", "technology", "watts", "removed_on", "owner",
        "maintained_by", "feed_owner", "depot", "notes", "happened",
    ),
    "components": ("light_id", "circuit_id", "kind", "model", "installed_on"),
    "models": (
        "model", "kind", "type", "maker", "volts_min", "volts_max", "watts",
        "warranty_years", "unit_cost", "lead_time_days", "lead_time_sd_days",
        "pack_size", "minimum_order",
    ),
    "circuits": (
        "circuit_id", "feed", "voltage", "control", "source", "owner", "longitude",
        "latitude",
    ),
    "sections": (
        "section_id", "circuit_id", "upstream_section_id", "kind", "length_m",
        "installed_on",
    ),
    "reports": (
        "report_id", "light_id", "longitude", "latitude", "symptom", "danger",
        "closed_at", "closed_as", "duplicate_of", "happened",
    ),
    "repairs": (
        "repair_id", "report_id", "light_id", "circuit_id", "section_id", "cause",
        "action", "component", "fitted_model", "removed_model", "removed_date_code",
        "symptom_found", "volts", "proven", "made_safe", "temporary_feed_until",
        "follow_up", "supersedes", "happened", "recorded",
    ),
    "patrols": ("patrol_id", "road_id", "kind", "happened"),
    "sightings": ("patrol_id", "light_id", "state", "happened"),
    "weather": (
        "station_id", "date", "tmin_c", "tmax_c", "rain_mm", "gust_kmh", "happened",
    ),
    "stations": ("station_id", "longitude", "latitude"),
    "roads": ("road_id", "name", "class", "speed_kmh", "one_way", "geometry"),
}  # fmt: skip

_NUMBERS = {
    "tmin_c", "tmax_c", "rain_mm", "gust_kmh",
    "longitude", "latitude", "watts", "voltage", "volts", "length_m", "volts_min",
    "volts_max",
    "warranty_years", "unit_cost", "lead_time_days", "lead_time_sd_days", "pack_size",
    "minimum_order",
}  # fmt: skip


def default_as_of(store: Store) -> int:
    """Return the time as of which commands run when none is given [instant].

    It is the newest export's ``created``; once anything was recorded at or after that,
    one second after the newest record.
    """
    created = store.place().created
    newest = store.newest_record()
    return created if newest is None or newest < created else newest + SECOND


def known_now(store: Store, near_m: float | None = None) -> Known:
    """Return what is known now, with what was worked out of it before.

    Parameters
    ----------
    store
        Where the records are.
    near_m
        As of a register; what follows from the records depends on it.
    """
    stamp, root = store.stamp(), store.beside
    as_of = default_as_of(store)
    if root is None:
        return Known(store, as_of)
    state = f"{stamp} {as_of} {near_m}"
    return Known(store, as_of, Folder(root, state, lambda: store.stamp() == stamp))


def known_at(store: Store, as_of: str | None, near_m: float | None = None) -> Known:
    """Return what was known at a time; see :func:`known_now`.

    Parameters
    ----------
    as_of
        A time, or a date: 00:00 local of that day; None: now.

    Raises
    ------
    NotUnderstood
        That is no time.
    """
    if as_of is None:
        return known_now(store, near_m)
    clock = LocalTime(store.place().place["timezone"])
    return Known(store, clock.instant(as_of))


def _then(versions: list[Row], as_of: int) -> Row | None:
    """Return the version of a row that stood at a time, the last said so."""
    known = [
        one
        for one in versions
        if one["version_recorded"] is None or one["version_recorded"] < as_of
    ]
    return known[-1] if known else None


@dataclass(frozen=True)
class Known:
    """Everything recorded strictly before ``as_of`` [instant], references resolved.

    Frames hold the format's columns, blank text as '' and blank numbers as NaN;
    ``happened`` [instant] of what is dated, and of repairs ``recorded``.
    """

    store: Store
    as_of: int
    kept: Folder | None = field(default=None, compare=False, repr=False)
    """What was worked out before of the same records, if anything was."""

    @cached_property
    def clock(self) -> LocalTime:
        """Local time at the place."""
        return LocalTime(self.place["timezone"])

    @cached_property
    def place(self) -> dict[str, Any]:
        """The place: name, timezone, opened_on, depot."""
        return self.store.place().place

    @cached_property
    def opened(self) -> int:
        """Instant at which the register was opened."""
        return self.clock.instant(self.place["opened_on"])

    @cached_property
    def _begun(self) -> dict[str, Future[pd.DataFrame]]:
        return {}

    def ahead(self) -> Known:
        """Begin to read everything, side by side, before it is asked for.

        The database works beside Python: a question that needs most of it is answered
        sooner.
        """
        readers = ThreadPoolExecutor(_READERS)
        kept = {name for name in _READ if self._is_kept(name)}
        asked = [name for name in _READ if name not in kept]
        self._begun.update({name: readers.submit(self._read, name) for name in asked})
        readers.shutdown(wait=False)
        return self

    def _is_kept(self, resource: str) -> bool:
        name = "_roads" if resource == "roads" else resource
        return self.kept is not None and self.kept.has(f"{__name__}.Known.{name}")

    def _frame(self, resource: str) -> pd.DataFrame:
        begun = self._begun.pop(resource, None)
        return begun.result() if begun else self._read(resource)

    def _read(self, resource: str) -> pd.DataFrame:
        asked = _READ[resource]
        versions = self.versions(resource)
        wanted = dict.fromkeys([*asked, *(_VERSION if versions else ())])
        frame = self.rows(resource, list(wanted))
        if versions:
            stood = self._as_it_stood(versions, frame)
            frame = stood[list(asked)].reset_index(drop=True)
        return frame

    def rows(
        self,
        resource: str,
        columns: list[str] | None = None,
        among: Mapping[str, Collection[str]] | None = None,
    ) -> pd.DataFrame:
        """Return rows as they are in the store; see :meth:`Store.frame`."""
        asked = list(_READ[resource]) if columns is None else columns
        return self.store.frame(resource, asked, self.as_of, _NUMBERS, among)

    def versions(self, resource: str) -> dict[str, list[Row]]:
        """Return all versions, oldest first, of the rows that were ever replaced."""
        versions: dict[str, list[Row]] = {}
        for row in self.store.history(resource):
            versions.setdefault(row["key"], []).append({**row, **row["content"]})
        for key, row in self.store.find(resource, list(versions)).items():
            place = {"position": row["position"]}
            versions[key] = [{**old, **place} for old in versions[key]] + [row]
        return versions

    def _as_it_stood(
        self, versions: dict[str, list[Row]], frame: pd.DataFrame
    ) -> pd.DataFrame:
        import pandas as pd

        rows = []
        for some in versions.values():
            row = _then(some, self.as_of)
            if row and (row["recorded"] is None or row["recorded"] < self.as_of):
                rows.append({n: row.get(n) for n in frame.columns})
        rest = frame[~frame["key"].isin(list(versions))]
        stood = pd.DataFrame(rows, columns=frame.columns)
        text = [n for n in frame.columns if frame[n].dtype == object]
        stood[text] = stood[text].fillna("").astype(object)
        stood = stood.astype(frame.dtypes)
        both = pd.concat([rest, stood]) if len(rest) else stood
        return both.sort_values("position", kind="stable")

    @derived
    def lights(self) -> pd.DataFrame:
        """Lights in service at some time before ``as_of``.

        ``entered`` and ``removed`` [instants] bound the service; NaN where it has no
        bound. ``removed`` is the end of the last day.
        """
        frame = self._frame("lights")
        last = {
            text: self.clock.instant(text) for text in set(frame["removed_on"]) if text
        }
        gone = frame["removed_on"].map(last)
        counts = gone < self.as_of
        ends = {at: float(self.clock.day_over(at)) for at in set(last.values())}
        frame["removed"] = gone.where(counts).map(ends)
        frame["removed_on"] = frame["removed_on"].where(counts, "")
        return frame.rename(columns={"happened": "entered"})

    @derived
    def components(self) -> pd.DataFrame:
        """Components fitted when the register was opened or the light entered."""
        frame = self._frame("components")
        lights = frame["light_id"]
        on_record = (lights == "") | lights.isin(self.lights["light_id"])
        return frame[on_record].reset_index(drop=True)

    @derived
    def models(self) -> pd.DataFrame:
        """The catalogue."""
        return self._frame("models")

    @derived
    def circuits(self) -> pd.DataFrame:
        """Lighting circuits."""
        return self._frame("circuits")

    @derived
    def sections(self) -> pd.DataFrame:
        """Supply sections."""
        return self._frame("sections")

    @derived
    def stations(self) -> pd.DataFrame:
        """Weather stations."""
        return self._frame("stations")

    @derived
    def reports(self) -> pd.DataFrame:
        """Reports; ``named`` says that a light was named, on record or not.

        ``closed`` [instant] says when a report was closed, NaN while it is open;
        ``duplicate_of`` names the first report of the same trouble, whose place is
        that of a duplicate that has none.
        """
        frame = closed_by(self._frame("reports"), self.as_of, self.clock)
        _resolve(frame, "light_id", self.lights["light_id"])
        frame = with_originals(frame)
        placed = frame["longitude"].notna() & frame["latitude"].notna()
        return frame[(frame["light_id"] != "") | placed].reset_index(drop=True)

    @derived
    def repairs(self) -> pd.DataFrame:
        """Repairs that no later record corrects; ``named`` as in reports.

        One that names nothing but a report is at the place of that; one of a light's
        own part that names only the circuit at the light whose trouble it most likely
        ended, if one is by far the likeliest (:mod:`unnamed`). One that replaced a part
        and does not say which has the kind of the model fitted.
        """
        frame = self._frame("repairs")
        unsaid = (frame["component"] == "") & (frame["action"] == "replaced")
        if unsaid.any():
            kinds = dict(zip(self.models["model"], self.models["kind"], strict=True))
            fitted = frame.loc[unsaid, "fitted_model"]
            frame.loc[unsaid, "component"] = [kinds.get(one, "") for one in fitted]
        _resolve(frame, "light_id", self.lights["light_id"])
        for column, ids in (
            ("report_id", self.reports["report_id"]),
            ("circuit_id", self.circuits["circuit_id"]),
            ("section_id", self.sections["section_id"]),
        ):
            frame[column] = frame[column].where(frame[column].isin(ids), "")
        frame = at_the_reports(frame, self.reports)
        where = ["light_id", "circuit_id", "section_id", "report_id"]
        frame = frame[(frame[where] != "").any(axis=1)]
        others = frame["supersedes"] != frame["repair_id"]
        corrected = set(frame.loc[others, "supersedes"])
        frame = frame[~frame["repair_id"].isin(corrected)].reset_index(drop=True)
        return self.at_lights(frame)

    def at_lights(self, repairs: pd.DataFrame) -> pd.DataFrame:
        """Put repairs that do not say at which light there; see :mod:`unnamed`."""
        return at_their_lights(repairs, self)

    @derived
    def patrols(self) -> pd.DataFrame:
        """Road segments covered by patrols; ``kind`` is night or day."""
        frame = self._frame("patrols")
        frame["kind"] = frame["kind"].where(frame["kind"] != "", "night")
        return frame

    @derived
    def sightings(self) -> pd.DataFrame:
        """Lights that a patrol saw in a state other than lit."""
        frame = self._frame("sightings")
        on_record = frame["light_id"].isin(self.lights["light_id"])
        return frame[on_record].reset_index(drop=True)

    @derived
    def weather(self) -> pd.DataFrame:
        """Daily weather per station."""
        return self._frame("weather")

    @derived
    def _roads(self) -> pd.DataFrame:
        return self._frame("roads")

    @cached_property
    def road_class(self) -> dict[str, str]:
        """The class of each road."""
        return dict(zip(self._roads["road_id"], self._roads["class"], strict=True))

    @cached_property
    def roads(self) -> geopandas.GeoDataFrame:
        """Road segments with their geometry, WGS 84."""
        import geopandas
        from shapely import LineString

        frame = self._roads
        lines = [LineString(json.loads(text)) for text in frame["geometry"]]
        return geopandas.GeoDataFrame(
            frame.drop(columns=["geometry"]), geometry=lines, crs="EPSG:4326"
        )


def _resolve(frame: pd.DataFrame, column: str, ids: pd.Series[Any]) -> None:
    frame["named"] = frame[column] != ""
    frame[column] = frame[column].where(frame[column].isin(ids), "")
