"""What lights did during the mended faults of feeds: told of, noted, or seen lit.

A mended fault is a test of what hangs on the feed. Its lights should have been told of
or noted like the others, and not been seen lit before the mend; a light beside it
should not have gone dark with it, unless by itself or because a caller named it for
another. Each of these is weighed by the rates that open troubles are weighed by.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.events import Events, Tally
from lightwatch.decisions.triage.experience import Experience
from lightwatch.decisions.triage.misplaced import Neighbours
from lightwatch.decisions.triage.shared_mends import shared_mends
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.troubles import answers
from lightwatch.detection.touched import lights_touched
from lightwatch.nights import DAY
from lightwatch.register.closings import ELSEWHERE
from lightwatch.words import DARK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HELD, BESIDE_HELD, PART_HELD = 0.9, 0.8, 0.2
"""Chance that a fault kept a light of its feed dark until the mend: one that it should
feed, one beside such a light, and any where only a part was dark and nothing says
which; no source."""

LIKE = 4.0
"""A share of the lights near one that were dark is drawn to the usual by so many."""

BEFORE_DAYS, GAP_DAYS, EARLIER_DAYS = 90.0, 45.0, 7.0
"""Signs of a fault are looked for so long before its mend; two that are farther apart
are not of one fault; one light may be told of so long before the others; no source."""

OWN_DAYS = 45.0
"""A light that was worked on itself so soon after a sign was dark by itself; no
source."""

LOST = 0.1
"""Share of lights' own troubles that no work on record answers, at least; no source."""

AGAIN = 0.5
"""Chance that a light dark by itself is noted as well where it was told of, or noted
again; no source."""

RANGE = 0.01, 0.5
"""A light is dark by itself, or named for another, at least and at most so often."""


@dataclass(frozen=True)
class PastFaults:
    """The mended faults of feeds, and what lights did in them."""

    signs: Signs
    known: Experience

    @cached_property
    def _dark(self) -> pd.DataFrame:
        """Signs of dark lights: ``light``, ``day``, ``seen``, ``own`` (answered so)."""
        heard = self.signs.heard
        told = heard.told
        told = told[told["symptom"].isin(DARK) & ~told["closed_as"].isin(ELSEWHERE)]
        told = told[~told.index.isin(heard.of_areas)]
        light = self.signs.grid.light_ids.get_indexer(pd.Index(told["light_id"]))
        day = told["at"].to_numpy(float) / DAY
        own = self._own_work.count(light, day, day + OWN_DAYS) > 0
        seen = told["seen"].to_numpy(bool)
        table = pd.DataFrame({"light": light, "day": day, "seen": seen, "own": own})
        return table[light >= 0].reset_index(drop=True)

    @cached_property
    def _own_work(self) -> Events:
        done = answers(self.signs.register)
        done = done[(done["light_id"] != "") & (done["action"] != "no_fault_found")]
        light = self.signs.grid.light_ids.get_indexer(pd.Index(done["light_id"]))
        return Events.of(light, done["happened"].to_numpy(float) / DAY)

    @cached_property
    def _reports(self) -> Events:
        dark = self._dark
        told = dark[~dark["seen"] & ~dark["own"]]
        return Events.of(told["light"].to_numpy(), told["day"].to_numpy())

    @cached_property
    def faults(self) -> pd.DataFrame:
        """Lights that mended faults touched, by what is on record; one row each.

        Returns
        -------
        pandas.DataFrame
            ``light``, ``fault`` (number), ``since`` (what is earlier is of a fault
            mended before), ``began`` (first sign of any of them), ``day`` (mend),
            ``some``. Faults that nobody noticed are left out.
        """
        mends = shared_mends(self.signs.register)
        touched = lights_touched(self.signs.register, mends)[["light_id", "repair"]]
        light = self.signs.grid.light_ids.get_indexer(pd.Index(touched["light_id"]))
        rows = touched.assign(light=light)[light >= 0]
        rows = rows.join(mends[["day", "some"]], on="repair")
        rows = rows.sort_values(["light", "day"], kind="stable", ignore_index=True)
        before = rows.groupby("light")["day"].shift().fillna(-np.inf)
        rows["since"] = np.maximum(before, rows["day"] - BEFORE_DAYS)
        rows["began"] = rows["repair"].map(self._began(rows))
        rows = rows[rows["began"].notna()]
        rows["fault"] = np.unique(rows["repair"], return_inverse=True)[1]
        rows["since"] = np.maximum(rows["since"], rows["began"] - EARLIER_DAYS)
        return rows[["light", "fault", "since", "began", "day", "some"]]

    def _began(self, rows: pd.DataFrame) -> pd.Series[float]:
        """Return the first sign of each repair's fault [days], where there is one."""
        dark = self._dark[~self._dark["own"]]
        signs = Events.of(dark["light"].to_numpy(), dark["day"].to_numpy())
        until = rows["day"].to_numpy()
        light, since = rows["light"].to_numpy(), rows["since"].to_numpy()
        at, which = signs.pick(light, since, until)
        found = pd.DataFrame(
            {"repair": rows["repair"].to_numpy()[which], "until": until[which],
             "day": dark["day"].to_numpy()[at]}
        )  # fmt: skip
        found = found.sort_values(["repair", "day"], ascending=[True, False])
        by = found.groupby("repair")
        later = by["day"].shift().fillna(found["until"])
        apart = (later - found["day"] > GAP_DAYS).groupby(found["repair"]).cumsum()
        return found[apart == 0].groupby("repair")["day"].min()

    @cached_property
    def _passed(self) -> tuple[Events, Ints, Ints, Ints]:
        """Night patrols by road; their numbers; patrol x light noted dark, and own."""
        grid, nights = self.signs.grid, self.signs.driven.patrols["night"]
        road = np.repeat(np.arange(len(grid.roads)), np.diff(nights.of.start))
        events = Events.of(road, nights.at[nights.of.rows] / DAY)
        seen = self.signs.register.known.sightings
        seen = seen[seen["state"].isin(DARK)]
        patrol = nights.names.get_indexer(pd.Index(seen["patrol_id"]))
        light = grid.light_ids.get_indexer(pd.Index(seen["light_id"]))
        day = seen["happened"].to_numpy(float) / DAY
        own = self._own_work.count(light, day, day + OWN_DAYS) > 0
        key = patrol * len(grid.lights) + light
        good = (patrol >= 0) & (light >= 0)
        noted, alone = np.unique(key[good & ~own]), np.unique(key[good & own])
        return events, nights.patrol[nights.of.rows], noted, alone

    def _passes(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return the patrols that passed lights in faults.

        Returns
        -------
        pandas.DataFrame
            ``row`` (position), ``noted``, ``by_fault`` and ``by_road`` (keys).
        """
        grid = self.signs.grid
        events, patrols, noted, alone = self._passed
        light, fault = rows["light"].to_numpy(), rows["fault"].to_numpy()
        # A patrol set out before it noted the first.
        since = np.maximum(rows["since"], rows["began"] - 0.5).to_numpy()
        at, row = events.pick(grid.road[light], since, rows["day"].to_numpy())
        patrol = patrols[at]
        key = patrol * len(grid.lights) + light[row]
        by_fault = fault[row] * (int(patrols.max(initial=0)) + 1) + patrol
        found = pd.DataFrame(
            {"row": row, "noted": np.isin(key, noted), "by_fault": by_fault,
             "by_road": by_fault * (len(grid.roads) + 1) + grid.road[light[row]]}
        )  # fmt: skip
        return found[~np.isin(key, alone)]

    @cached_property
    def _shares(self) -> tuple[Tally, Tally]:
        """Lights of faults that patrols passed, and noted: by fault, and by road."""
        passes = self._passes(self.faults)
        one, noted = np.ones(len(passes)), passes["noted"].to_numpy(float)
        return (
            Tally.of(passes["by_fault"].to_numpy(), one, noted),
            Tally.of(passes["by_road"].to_numpy(), one, noted),
        )

    @cached_property
    def _near(self) -> Tally:
        """By fault x light: reports that may be meant for it, told lights beside it."""
        grid, rows = self.signs.grid, self.faults
        light, fault = rows["light"].to_numpy(), rows["fault"].to_numpy()
        many = self._reports.count(light, *rows[["since", "day"]].to_numpy().T)
        told = pd.DataFrame({"light": light, "fault": fault, "many": many})[many > 0]
        how = self.known.misplaced
        pairs = Neighbours.of(
            grid.light_ids, grid.metres, np.unique(told["light"].to_numpy())
        )
        near = pd.DataFrame(
            {"light": pairs.light, "other": pairs.other, "near": ~pairs.by_number,
             "astray": how.share * pairs.weight(how.by_number)}
        )  # fmt: skip
        both = told.merge(near, on="light")
        return Tally.of(
            (both["fault"] * len(grid.lights) + both["other"]).to_numpy(np.int64),
            (both["many"] * both["astray"]).to_numpy(float),
            both["near"].to_numpy(float),
        )

    def did(self, rows: pd.DataFrame, held: float, *, own: bool) -> pd.DataFrame:
        """Say what lights did in faults, and what that tells.

        Parameters
        ----------
        rows
            As ``faults`` has them: lights and what they are held against.
        held
            Chance that the fault kept the light dark, if it hangs on the feed.
        own
            The lights are those that the record puts on the feed.

        Returns
        -------
        pandas.DataFrame
            ``told`` (of), ``noted`` (by patrols), ``lit`` (patrols that did not note it
            while the feed was rather dark than not), and ``log_ratio``: ln P(this | it
            hangs on the feed) - ln P(this | it does not).
        """
        light = rows["light"].to_numpy()
        since, until = rows["since"].to_numpy(), rows["day"].to_numpy()
        key = rows["fault"].to_numpy() * len(self.signs.grid.lights) + light
        astray, near = self._near.at(key)
        part = (LIKE * PART_HELD + near) / (LIKE + near)
        usual = np.where(rows["some"], part, held)
        passes = self._passes(rows)
        row, noted = passes["row"].to_numpy(), passes["noted"].to_numpy()
        dark = self._dark_then(passes, usual[row], own=own)
        rates = self.signs.rates_of(self.known).channel(DARKNESS)
        seen = dark * rates.hit
        wrong = (1 - dark) * self.known.noted_wrongly
        count = np.bincount(row, minlength=len(rows))
        saw = np.log(np.where(noted, seen + wrong, 1 - seen))
        mean = np.bincount(row, dark, len(rows)) / np.maximum(count, 1)
        found = pd.DataFrame(
            {"told": self._reports.count(light, since, until) > 0,
             "noted": np.bincount(row, noted, len(rows)).astype(int)}
        )  # fmt: skip
        lit = ~noted & (dark > 0.5)
        found["lit"] = np.bincount(row, lit, len(rows)).astype(int)
        nights = until - np.maximum(rows["began"].to_numpy(), since)
        pace = rates.reported_per_night[light] * self.known.crowd.later
        heard = np.clip(-np.expm1(-pace * nights), 0.05, 0.99)
        alone = self._alone(light, until - since, astray)
        told = found["told"].to_numpy()
        by_feed = np.where(told, heard, 1 - heard)
        by_itself = np.where(told, alone, 1 - alone)
        usual = np.where(count > 0, mean, usual)
        on = np.log(usual * by_feed + (1 - usual) * by_itself)
        on += np.bincount(row, saw, len(rows))
        extra = found["noted"] + found["told"] - 1
        sign = (found["noted"] > 0) | found["told"]
        off = np.log(np.where(sign, alone, 1 - alone)) + np.where(
            sign, extra * np.log(AGAIN), 0.0
        )
        return found.assign(log_ratio=on - off)

    def _dark_then(self, passes: pd.DataFrame, usual: Floats, *, own: bool) -> Floats:
        """Return the chance that a light of the feed was dark when a patrol passed.

        Drawn from what it noted of the fault's other lights, those of the road most.
        """
        mine = np.array([np.ones(len(passes)), passes["noted"].to_numpy(float)]) * own
        for tally, by in zip(self._shares, ("by_fault", "by_road"), strict=True):
            passed, noted = tally.at(passes[by].to_numpy()) - mine
            usual = (noted + usual) / (passed + 1)
        return np.clip(usual, 0.01, HELD)

    def _alone(self, light: Ints, nights: Floats, astray: Floats) -> Floats:
        """Return the chance of a sign of a dark light that no feed explains."""
        rates = self.signs.rates_of(self.known).channel(DARKNESS)
        rate = rates.own_per_night[light] * LOST + rates.false_per_night.sum()
        found: Floats = np.clip(-np.expm1(-rate * nights - astray), *RANGE)
        return found
