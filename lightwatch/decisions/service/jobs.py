"""Jobs: from the first sign of trouble to the repair that ended it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.decisions.assumptions import Windows
from lightwatch.decisions.triage.crowd import noticed
from lightwatch.decisions.triage.habits import level_of_work
from lightwatch.decisions.triage.troubles import answers, told_of_lights
from lightwatch.detection.episodes import episodes
from lightwatch.nights import DAY
from lightwatch.register import Register
from lightwatch.store.frames import filled
from lightwatch.words import UNANSWERED

KINDS = ("one light", "burning by day", "knocked down", "feed")


@dataclass(frozen=True)
class Done:
    """Jobs of one kind that were done in a time.

    ``median`` and ``ninetieth`` [days] are None where none was; ``inside`` is the share
    done within the window.
    """

    kind: str
    jobs: int
    median: float | None
    ninetieth: float | None
    window: float
    inside: float | None


@dataclass(frozen=True)
class Backlog:
    """Jobs of one kind open at a time; ``oldest`` [days]."""

    kind: str
    open: int
    over_window: int
    oldest: float | None
    waiting_for_others: int


def _kind(symptom: pd.Series[str]) -> np.ndarray:
    return np.select(
        [symptom == "dayburning", symptom == "knocked_down"], KINDS[1:3], KINDS[0]
    )


def jobs(register: Register) -> pd.DataFrame:
    """Return every job that was done and had a sign before it.

    Returns
    -------
    pandas.DataFrame
        ``kind``, ``noticed``, ``mended`` [days]; ``light_id`` ('' for a feed).
    """
    found = episodes(register)
    found = found[found["told"]]
    lights = pd.DataFrame(
        {
            "kind": _kind(found["symptom"]),
            "noticed": found["noticed"],
            "mended": found["mended"],
            "light_id": found["light_id"],
        }
    )
    repairs = register.known.repairs
    mends = ~repairs["action"].isin((*UNANSWERED, "no_fault_found"))
    shared = repairs[mends & (level_of_work(repairs) != "own")]
    signs = noticed(register, shared)
    signs = signs.assign(first=signs[["told", "seen"]].min(axis=1))
    feeds = signs.groupby("repair", as_index=False)[["first", "day"]].min()
    feeds = feeds.dropna(subset=["first"])
    of_feeds = pd.DataFrame(
        {
            "kind": KINDS[3],
            "noticed": feeds["first"],
            "mended": feeds["day"],
            "light_id": "",
        }
    )
    closed = _closed(register)
    parts = [part for part in (lights, of_feeds, closed) if len(part)] or [lights]
    return pd.concat(parts, ignore_index=True)


def _closed(register: Register) -> pd.DataFrame:
    """Return jobs that only a closed report says were done, one a light and closing."""
    told, every = told_of_lights(register), answers(register)
    said = every[every["by_word"] & (every["action"] != "no_fault_found")]
    told = told[told["report_id"].isin(set(said["report_id"]))]
    work = every.loc[~every["by_word"] & (every["light_id"] != ""), "happened"]
    both = (
        told[["light_id", "at", "closed"]]
        .reset_index()
        .merge(
            pd.DataFrame({"light_id": every["light_id"], "work": work}).dropna(),
            on="light_id",
        )
    )
    done = both[(both["work"] >= both["at"]) & (both["work"] <= both["closed"])]
    told = told.drop(index=done["index"].unique())
    jobs = pd.DataFrame(
        {
            "kind": _kind(told["symptom"]),
            "noticed": told["at"] / DAY,
            "mended": told["closed"] / DAY,
            "light_id": told["light_id"],
        }
    ).sort_values("noticed", kind="stable")
    return jobs.drop_duplicates(["light_id", "mended"])


def done(every: pd.DataFrame, start: int, end: int, windows: Windows) -> list[Done]:
    """Return the jobs done in a time, by kind."""
    mended = every["mended"] * DAY
    some = every[(mended >= start) & (mended < end)]
    found = []
    for kind in KINDS:
        one = some[some["kind"] == kind]
        days = (one["mended"] - one["noticed"]).to_numpy(float)
        window = windows.of(kind)
        if not len(days):
            found.append(Done(kind, 0, None, None, window, None))
            continue
        median, ninetieth = np.quantile(days, (0.5, 0.9))
        inside = float((days <= window).mean())
        found.append(
            Done(kind, len(days), float(median), float(ninetieth), window, inside)
        )
    return found


def backlog(
    register: Register,
    every: pd.DataFrame,
    still: pd.DataFrame,
    at: int,
    windows: Windows,
) -> list[Backlog]:
    """Return the jobs open at a time, by kind, as known on the register's day.

    Parameters
    ----------
    register
        What stood.
    every, still
        Jobs done at some time, and what is open on the register's day.
    at
        The time [instant].
    windows
        By kind.
    """
    then = every[(every["noticed"] * DAY < at) & (every["mended"] * DAY >= at)]
    still = still[still["at"] < at]
    begun = still.groupby("light_id", as_index=False).agg(
        at=("at", "min"), symptom=("symptom", "first")
    )
    known = register.known
    owner = known.circuits.set_index("circuit_id")["owner"]
    lights = known.lights.set_index("light_id")
    others = (lights["feed_owner"] != "") | (
        filled(lights["circuit_id"].map(owner), "") != ""
    )
    now = pd.DataFrame(
        {
            "kind": _kind(begun["symptom"]),
            "noticed": begun["at"] / DAY,
            "light_id": begun["light_id"],
        }
    )
    frame = pd.concat(
        [part for part in (then[["kind", "noticed", "light_id"]], now) if len(part)]
        or [now],
        ignore_index=True,
    )
    frame = frame.assign(
        days=at / DAY - frame["noticed"],
        others=frame["light_id"].map(others).eq(other=True),
    )
    found = []
    for kind in KINDS:
        one = frame[frame["kind"] == kind]
        late = int((one["days"] > windows.of(kind)).sum())
        oldest = float(one["days"].max()) if len(one) else None
        found.append(Backlog(kind, len(one), late, oldest, int(one["others"].sum())))
    return found
