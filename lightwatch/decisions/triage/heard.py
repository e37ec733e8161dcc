"""What was told of lights: what of it is open, and what of it an area explains."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.area_events import AreaEvent, area_events
from lightwatch.decisions.triage.crews import Crews
from lightwatch.decisions.triage.driven import Driven
from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.troubles import answers, told_of_lights
from lightwatch.nights import DAY
from lightwatch.register.closings import ELSEWHERE
from lightwatch.register.reach import reach
from lightwatch.store.frames import filled
from lightwatch.words import DARK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

ONE_TIME = 0.1
"""Where more reports than this share bear one time of day, it is none: a date alone."""


@dataclass(frozen=True)
class Heard:
    """Reports and sightings of lights, as known on a day."""

    grid: Grid
    crews: Crews
    driven: Driven

    def as_in(self, whole: Heard) -> Heard:
        """Return the same with the last record of the whole town, and no areas."""
        known = vars(self)
        register, ends = self.grid.register, reach(self.grid.register)
        last = [at for at in (ends.reports, ends.repairs, ends.patrols) if at]
        last += [int(told["at"].max()) for told in (self.told, whole.told) if len(told)]
        known["now"] = min(max(last, default=register.as_of), register.as_of)
        known["timed"], known["areas"] = whole.timed, ()
        return self

    @cached_property
    def told(self) -> pd.DataFrame:
        """Every one of them; see :func:`troubles.told_of_lights`."""
        return told_of_lights(self.grid.register)

    @cached_property
    def now(self) -> int:
        """Until when anything is on record [instant]: what is later is not judged."""
        register = self.grid.register
        ends = reach(register)
        known = [at for at in (ends.reports, ends.repairs, ends.patrols) if at]
        if len(self.told):
            known.append(int(self.told["at"].max()))
        return min(max(known, default=register.as_of), register.as_of)

    @cached_property
    def timed(self) -> bool:
        """Whether reports bear the time of day, and not the day alone."""
        seen = self.told["seen"].to_numpy(bool)
        every = self.told["at"].to_numpy(float)[~seen]
        _, count = np.unique(every % DAY, return_counts=True)
        return bool(len(count)) and bool(count.max() <= ONE_TIME * len(every) + 2)

    @cached_property
    def unanswered(self) -> Flags:
        """For each, whether no work and no closing answered it.

        A repair answers the report that it names, with its duplicates, and whatever
        came before it on its light, on its circuit as a whole or beyond its section; so
        does, on its light, a report that is closed as mended or as nothing found.
        """
        told = self.told
        number = self.grid.light_ids.get_indexer(pd.Index(told["light_id"]))
        worked = np.append(self.grid.worked[0], np.inf)[number]
        fresh = ~(worked > told["at"].to_numpy(float))
        still: Flags = fresh & ~self._named(told) & told["closed"].isna().to_numpy()
        return still

    @cached_property
    def areas(self) -> tuple[AreaEvent, ...]:
        """Areas that came dark, of which a report is not answered."""
        return area_events(self.grid, self.driven, self.told, self.unanswered, self.now)

    @cached_property
    def of_areas(self) -> pd.Index:
        """Which rows of what was told are of an area, and so of no circuit."""
        return pd.Index([row for one in self.areas for row in one.rows], dtype=int)

    @cached_property
    def _troubles(self) -> pd.DataFrame:
        """What is open, whether of an area or not; by its row of ``told``."""
        told = self.told[self.unanswered]
        number = self.grid.light_ids.get_indexer(pd.Index(told["light_id"]))
        night, day = (
            self._later(number, told["at"].to_numpy(float), kind)
            for kind in ("night", "day")
        )
        dark = told["symptom"].isin(DARK).to_numpy()
        by_day = (told["symptom"] == "dayburning").to_numpy()
        circuit = np.asarray(self.grid.circuits, dtype=object)
        troubles = told.assign(
            unseen=np.where(by_day, day, night),
            circuit=circuit[self.grid.circuit[number]],
        )
        return troubles[~(dark & (night > 0))]

    @cached_property
    def open(self) -> pd.DataFrame:
        """Every report and sighting that is still open and of no area, one a row.

        That is what is not answered; but a later night patrol that passed and noted
        nothing contradicts a light said to be out.

        Returns
        -------
        pandas.DataFrame
            ``light_id``, ``at`` [instant], ``symptom``, ``danger``, ``report_id``,
            ``seen`` (by a patrol), ``unseen`` (later patrols that passed and did not
            note it), ``circuit``.
        """
        every = self._troubles
        return every[~every.index.isin(self.of_areas)].reset_index(drop=True)

    def open_of(self, area: AreaEvent) -> pd.DataFrame:
        """Return what is open of an area, as ``open`` does."""
        every = self._troubles
        return every[every.index.isin(area.rows)].reset_index(drop=True)

    def _named(self, told: pd.DataFrame) -> Flags:
        """Say which reports, or what they repeat, a repair names."""
        named = set(answers(self.grid.register)["report_id"]) - {""}
        both = told["report_id"].isin(named) | told["original"].isin(named)
        return np.asarray(both, dtype=bool)

    def _later(self, number: Ints, at: Floats, kind: str) -> Ints:
        """Count the patrols that passed lights later and did not note them."""
        which, passed = self.driven.passes(number, kind)
        later: Ints = np.bincount(which[passed > at[which]], minlength=len(number))
        return later

    @cached_property
    def frame(self) -> pd.DataFrame:
        """Reports and sightings that no repair names, in order of time.

        A report belongs to the light that the crew went to, if one has been. Reports
        closed as another's, or withdrawn, tell nothing of the light; nor do those that
        an area explains.
        """
        told = self.told.copy()
        left = self.crews.left_open
        left = left[(left["report_id"] != "") & (left["light_id"] != "")]
        meant = left.drop_duplicates("report_id").set_index("report_id")["light_id"]
        told["light_id"] = filled(told["report_id"].map(meant), told["light_id"])
        told = told[~self._named(told) & ~told["closed_as"].isin(ELSEWHERE)]
        told = told[~told.index.isin(self.of_areas)]
        return told.sort_values("at", kind="stable", ignore_index=True)
