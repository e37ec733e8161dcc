"""Every trouble of the city: when it began and ended, which lights it kept dark."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from demo_city.days import Calendar, Flags, Floats, Ints, Texts
from demo_city.feeds import CIRCUIT, LIGHT, SECTION, SECTION_KINDS, Feeds
from demo_city.parameters import SYMPTOMS
from demo_city.simulating import Records
from demo_city.tables import Ids


@dataclass(frozen=True)
class Troubles:
    """All n troubles: failures, knocks, thefts, supply faults, others' lights.

    Parameters
    ----------
    frame
        n rows: level, light_id, circuit_id, section_id, kind, type, cause, symptom,
        failed_at, noticed_at, repaired_at (local; blank: not by the export), down_days
        (to the repair; blank where something else ended it).
    level, holder
        What failed, as the feeds number it.
    began, ended, recorded
        Times [days]; a trouble also ends with what it befell. ``recorded``: when the
        repair that ended it was on record, infinite if not by the export.
    feeds, calendar, light_ids
        Who goes dark with whom; the days; names of lights.
    """

    frame: pd.DataFrame
    level: Ints
    holder: Ints
    began: Floats
    ended: Floats
    recorded: Floats
    feeds: Feeds
    calendar: Calendar
    light_ids: Texts

    def open_at(self, when: datetime) -> pd.DataFrame:
        """Return what was in trouble at a time, whether anybody knew or not.

        Parameters
        ----------
        when
            Local time; an offset is ignored.

        Returns
        -------
        pandas.DataFrame
            In the columns of ``frame``, less repaired_at and down_days; noticed_at
            blank where nobody knew by then; dark_light_ids: the lights concerned.
        """
        now = self._days(when)
        return self._told((self.began < now) & (self.ended >= now), when)

    def mended_off_record_at(self, when: datetime) -> pd.DataFrame:
        """Return what was mended by then, but not yet on record; as :meth:`open_at`."""
        now = self._days(when)
        return self._told((self.ended < now) & (self.recorded >= now), when)

    def _days(self, when: datetime) -> float:
        opened = datetime.combine(self.calendar.opened_on, datetime.min.time())
        return (when.replace(tzinfo=None) - opened) / timedelta(days=1)

    def _told(self, which: Flags, when: datetime) -> pd.DataFrame:
        rows = np.flatnonzero(which)
        found = self.frame.iloc[rows].drop(columns=["repaired_at", "down_days"])
        known = found["noticed_at"] < when.replace(tzinfo=None).isoformat()
        place, dark = self.feeds.dark(self.level[rows], self.holder[rows])
        lights = pd.Series(self.light_ids[dark], dtype=object).groupby(place).agg(list)
        return found.assign(
            noticed_at=found["noticed_at"].where(known, ""),
            dark_light_ids=lights.to_numpy(),
        ).reset_index(drop=True)


def _circuit(records: Records) -> Ints:
    level = records.troubles["level"].to_numpy()
    holder = records.troubles["holder"].to_numpy()
    own = records.world.feeds.circuit[np.where(level == CIRCUIT, 0, holder)]
    return np.where(level == CIRCUIT, holder, own)


def _types(records: Records) -> Texts:
    """Return the type of what failed: of the model, or of the section."""
    troubles = records.troubles
    model = troubles["model"].to_numpy(dtype=np.int64)
    types = np.array([*records.world.catalogue.types, "unknown"], dtype=object)[model]
    section = (troubles["level"] == SECTION).to_numpy()
    holder = np.where(section, troubles["holder"], 0)
    kind = np.array(SECTION_KINDS, dtype=object)[records.world.feeds.kind[holder]]
    return np.where(section, kind, types)


def _recorded(records: Records) -> Floats:
    """Return when the repair that ended each trouble was on record [days]."""
    troubles, repairs = records.troubles, records.repairs
    ended = troubles["ended_at"].to_numpy()
    last = (
        repairs["performed"].to_numpy()
        == np.append(ended, np.nan)[repairs["trouble"].to_numpy()]
    )
    at = repairs[last].groupby("trouble")["recorded"].min()
    found = at.reindex(np.arange(len(troubles))).to_numpy(dtype=np.float64)
    return np.where(np.isnan(found), np.where(troubles["mended"], np.inf, ended), found)


def troubles_of(records: Records, ids: Ids) -> Troubles:
    """Return every trouble of one run with names and local times."""
    troubles, calendar = records.troubles, records.world.calendar
    level, holder = troubles["level"].to_numpy(), troubles["holder"].to_numpy()
    over = troubles["mended"] & (troubles["repaired_at"] < calendar.end)
    repaired = np.where(over, troubles["repaired_at"], np.nan)
    failed, noticed = troubles["failed_at"].to_numpy(), troubles["noticed_at"]
    known = np.where(noticed < calendar.end, noticed, np.nan)
    frame = pd.DataFrame(
        {
            "level": np.array(["light", "circuit", "section"], dtype=object)[level],
            "light_id": ids.light[np.where(level == LIGHT, holder, -1)],
            "circuit_id": ids.circuit[_circuit(records)],
            "section_id": ids.section[np.where(level == SECTION, holder, -1)],
            "kind": troubles["kind"],
            "type": _types(records),
            "cause": troubles["cause"],
            "symptom": np.array(SYMPTOMS, dtype=object)[troubles["symptom"]],
            "failed_at": calendar.moments(failed),
            "noticed_at": calendar.moments(known),
            "repaired_at": calendar.moments(repaired),
            "down_days": np.round(repaired - failed, 3),
        }
    )
    return Troubles(
        frame, level, holder, failed, troubles["ended_at"].to_numpy(),
        _recorded(records), records.world.feeds, calendar, ids.light,
    )  # fmt: skip
