"""Repairs that name no report, joined to the one that they answer by place and time.

Only where a mapping is given and none of its repairs' columns is a report's number. A
repair answers the latest open report of its light; else the open one that lies nearest
to it, if it lies within the limit and no other is as likely. A report that a repair has
answered is open no more. All limits here are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lightwatch.nights import LocalTime
from lightwatch.observations.joining import (
    CLEAR,
    CLOSE_CALL,
    Floats,
    Joins,
    Lights,
    floats,
)
from lightwatch.observations.rules import instants
from lightwatch.observations.tables import Rows

WITHIN_DAYS = 30.0
"""How long before a repair a report may lie, if the mapping does not say [days]."""

ANSWERS = "repairs to reports"
"""What the joins of repairs to reports are counted under."""

JOINED_BY = "report joined by"
"""Further column of a repair whose report we found, not the office."""

Ints = NDArray[np.int64]

_DAY = 86_400_000_000
_SAME_M = 1.0
"""Places that lie within this of each other are as near [m]."""

_DATE = len("2019-05-01")


@dataclass(frozen=True)
class Told:
    """Reports as far as repairs may answer them, in order of time."""

    ids: Sequence[str]
    lights: NDArray[np.object_]
    at: Floats
    """Places in the plane of the lights [m]; not a number where not said."""
    nearest_m: Floats
    """How far the nearest light is [m]."""
    received: Floats
    """Instants [microseconds]."""
    closed: Floats
    """Instants; infinite while open."""

    @classmethod
    def of(cls, parts: Iterable[Rows], lights: Lights, clock: LocalTime) -> Told:
        """Read the reports; those that only repeat another are left out."""
        ids: list[str] = []
        named: list[str] = []
        times: dict[str, list[int | None]] = {"received_at": [], "closed_at": []}
        lon, lat = [], []
        for rows in parts:
            blank = [""] * len(rows.lines)
            again = rows.columns.get("duplicate_of", blank)
            own = rows.columns.get("report_id", blank)
            keep = [i for i, text in enumerate(again) if own[i] and not text]
            columns = {
                name: [rows.columns.get(name, blank)[i] for i in keep]
                for name in ("report_id", "light_id", "longitude", "latitude", *times)
            }
            ids += columns["report_id"]
            named += [lights.named(text).light for text in columns["light_id"]]
            lon += columns["longitude"]
            lat += columns["latitude"]
            for name, known in times.items():
                known += instants(columns[name], clock)
        received, closed = (np.array(one, dtype=float) for one in times.values())
        order = np.argsort(received, kind="stable")[: np.isfinite(received).sum()]
        east, north = floats(lon)[order], floats(lat)[order]
        near = lights.near(east, north, np.inf)
        far = [np.inf if one.metres is None else one.metres for one in near]
        return cls(
            [ids[i] for i in order],
            np.array(named, dtype=object)[order],
            lights.plane(east, north),
            np.array(far),
            received[order],
            np.where(np.isnan(closed), np.inf, closed)[order],
        )


@dataclass(frozen=True)
class Answer:
    """The report that a repair answers, by its index, how it was found, how far [m]."""

    report: int
    how: str
    metres: float | None = None
    next_m: float | None = None


@dataclass
class _Open:
    """What is still open as repairs go by in order of time."""

    told: Told
    days: float
    limit_m: float
    closed: Floats
    jobs: dict[tuple[str, float], int] = field(default_factory=dict)
    """Light and instant of a repair to the report that it answers."""

    def answered(
        self, light: str, at: Floats, start: float, end: float
    ) -> Answer | None:
        """Return the report that a repair answers, open no more; None: not clear."""
        told = self.told
        if light and (light, start) in self.jobs:  # another row of the same job
            return Answer(self.jobs[light, start], "same light")
        first = np.searchsorted(told.received, start - self.days * _DAY)
        last = np.searchsorted(told.received, end, side="right")
        still = np.arange(first, last)
        still = still[self.closed[still] >= start]
        found = self._of_light(still, light) or self._near(still, at)
        if found:
            self.jobs[light, start] = found.report
            self.closed[found.report] = -np.inf
        return found

    def _of_light(self, still: Ints, light: str) -> Answer | None:
        mine = still[self.told.lights[still] == light] if light else still[:0]
        return Answer(int(mine[-1]), "same light") if len(mine) else None

    def _near(self, still: Ints, at: Floats) -> Answer | None:
        """Return the nearest report of no light; of those at one place the latest."""
        told = self.told
        still = still[told.lights[still] == ""]
        far = np.hypot(*(told.at[still] - at).T)
        may = (far <= self.limit_m) & (
            far < CLEAR * np.maximum(told.nearest_m[still], 1.0)
        )
        still, far = still[may], far[may]
        if not len(still):
            return None
        nearest = int(np.argmin(far))
        apart = np.hypot(*(told.at[still] - told.at[still[nearest]]).T) > _SAME_M
        first, second = far[nearest], np.min(far[apart], initial=np.inf)
        if second - first <= _SAME_M:
            return None
        latest = int(still[~apart][-1])
        of_another = first > told.nearest_m[latest] + _SAME_M
        close = of_another or second < CLEAR * max(first, 1.0)
        how = CLOSE_CALL if close else "place and time"
        return Answer(
            latest, how, float(first), float(second) if np.isfinite(second) else None
        )


def with_reports(
    rows: Rows,
    told: Told,
    lights: Lights,
    clock: LocalTime,
    *,
    days: float,
    limit_m: float,
) -> dict[int, Answer]:
    """Give repairs the number of the report that they answer, as far as it is clear.

    Parameters
    ----------
    rows
        Repairs as ours, joined to lights; ``report_id`` is put in place.
    told
        The reports.
    lights
        The register.
    clock
        Local time at the place.
    days
        How long before a repair its report may lie.
    limit_m
        How far from it.

    Returns
    -------
    dict[int, Answer]
        The repairs that were joined, by their index.
    """
    blank = [""] * len(rows.lines)
    said, done = (rows.columns.get(n, blank) for n in ("light_id", "performed_at"))
    own = lights.plane(*(floats(rows.columns.get(name, blank))
                         for name in ("longitude", "latitude")))  # fmt: skip
    when = {
        i: float(at) for i, at in enumerate(instants(done, clock)) if at is not None
    }
    still = _Open(told, days, limit_m, told.closed.copy())
    found: dict[int, Answer] = {}
    for i, start in sorted(when.items(), key=lambda one: (one[1], one[0])):
        at = own[i] if np.isfinite(own[i]).all() else lights.place(said[i])
        end = start + _DAY * (len(done[i]) <= _DATE)
        answer = still.answered(said[i], at, start, end)
        if answer:
            found[i] = answer
    if found:
        reports, how = list(blank), list(blank)
        for i, one in found.items():
            reports[i], how[i] = told.ids[one.report], one.how
        rows.columns["report_id"], rows.columns[JOINED_BY] = reports, how
    return found


def count_answers(
    rows: Rows, files: Sequence[str], found: Mapping[int, Answer], joins: Joins
) -> None:
    """Count the repairs that were joined to reports; ``files`` says where each is."""
    joins.begin(ANSWERS)
    blank = [""] * len(rows.lines)
    keys, said = (rows.columns.get(n, blank) for n in ("repair_id", "light_id"))
    for i, one in found.items():
        metres = ["" if m is None else f"{m:.0f}" for m in (one.metres, one.next_m)]
        row = (files[i], str(rows.lines[i]), keys[i], said[i], one.how, said[i],
               *metres, rows.columns["report_id"][i])  # fmt: skip
        joins.add(ANSWERS, row, one.how)
