"""Hold what is said to be open at an instant against what is so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from tests.rough_town.town import RoughTown
from tests.rough_town.truth import Truth

SUPPLY = ("cable", "line", "supply")
"""Kinds of shared fault that the verdict supply_fault means."""

GROUP = ("photocontrol",)
SURE = 0.5
Entries = Sequence[dict[str, Any]]


@dataclass(frozen=True)
class Judged:
    """What was said at an instant beside what was so; a frame for each question."""

    circuits: pd.DataFrame
    """Circuits with open reports: circuit, chance, positive, reported (lights)."""

    alarms: pd.DataFrame
    """Entries said to be a supply fault: right, shared (right, or another shared fault
    darkens a light of it), on_record (shared, or one that was mended and is not
    recorded), storm (on a recent storm's circuits)."""

    cabinets: pd.DataFrame
    """Entries said to be at the cabinet: right (a group photocontrol or a supply)."""

    faults: pd.DataFrame
    """Open shared faults: kind, known (lights known out), found, section rank; cabinet
    (found, or at the source and told as at the cabinet)."""

    storms: pd.DataFrame
    """Storms going on, a tenth of their lights reported: told as one area."""


def numbers(names: Sequence[str]) -> set[int]:
    """Return the numbers in identifiers."""
    return {int(name[1:]) for name in names}


def chance_of(entry: dict[str, Any], verdict: str) -> float:
    """Return the probability of a verdict that an entry gives."""
    if entry["verdict"] == verdict:
        return float(entry["probability"])
    also = {one["verdict"]: one["probability"] for one in entry["alternatives"]}
    return float(also.get(verdict, 0.0))


def judged(truth: Truth, day: float, entries: Entries) -> Judged:
    """Judge the entries said at an instant."""
    reported = [numbers(one["reported"]) for one in entries]
    open_now = truth.feeds_at(day)
    supply = open_now[open_now["kind"].isin(SUPPLY)]
    return Judged(
        _circuits(truth, entries, reported, supply),
        _alarms(truth, day, entries, reported, open_now),
        _cabinets(truth, entries, reported, open_now),
        _faults(truth, day, entries, reported, open_now),
        _storms(truth, day, entries, reported),
    )


def _circuits(
    truth: Truth, entries: Entries, reported: list[set[int]], supply: pd.DataFrame
) -> pd.DataFrame:
    rows = [
        (int(truth.circuit[light]), chance_of(entry, "supply_fault"), light)
        for entry, lights in zip(entries, reported, strict=True)
        for light in lights
    ]
    frame = pd.DataFrame(rows, columns=["circuit", "chance", "light"])
    found = frame.groupby("circuit").agg(
        chance=("chance", "max"), reported=("light", "nunique")
    )
    bad = set(supply["circuit"])
    return found.assign(positive=found.index.isin(bad)).reset_index()


def _sure(entry: dict[str, Any], verdict: str) -> bool:
    return bool(entry["verdict"] == verdict and entry["probability"] > SURE)


def _alarms(
    truth: Truth,
    day: float,
    entries: Entries,
    reported: list[set[int]],
    open_now: pd.DataFrame,
) -> pd.DataFrame:
    def fed(by: pd.DataFrame) -> set[int]:
        return set().union(*(truth.feed_lights[i].tolist() for i in by.index))

    dark = fed(open_now[open_now["kind"].isin(SUPPLY)])
    shared = fed(open_now)
    on_record = shared | fed(_unrecorded(truth, day))
    recent = truth.storms[
        (truth.storms["start"] <= day) & (truth.storms["end"] > day - 10)
    ]
    blown = set().union(*(truth.storm_lights[i].tolist() for i in recent.index))
    rows = [
        (entry["circuit_id"], bool(lights & dark), bool(lights & shared),
         bool(lights & on_record),
         2 * len(lights & blown) > len(lights), len(lights), len(recent))
        for entry, lights in zip(entries, reported, strict=True)
        if _sure(entry, "supply_fault")
    ]  # fmt: skip
    columns = ["circuit", "right", "shared", "on_record", "storm", "reported", "storms"]
    return pd.DataFrame(rows, columns=columns)


def _at_cabinet(entry: dict[str, Any]) -> bool:
    return bool(entry.get("at_cabinet", 0.0) > SURE)


def _cabinets(
    truth: Truth,
    entries: Entries,
    reported: list[set[int]],
    open_now: pd.DataFrame,
) -> pd.DataFrame:
    sources = open_now.index[open_now["section"] < 0]
    dark = set().union(*(truth.feed_lights[i].tolist() for i in sources))
    rows = [
        (entry["circuit_id"], bool(lights & dark))
        for entry, lights in zip(entries, reported, strict=True)
        if _at_cabinet(entry)
    ]
    return pd.DataFrame(rows, columns=["circuit", "right"])


def _unrecorded(truth: Truth, day: float) -> pd.DataFrame:
    """Return shared faults that were mended, of which no record has come in."""
    feeds, done = truth.feeds, truth.repairs
    known = (done["recorded"] < day) & (done["action"] != "follow_up")
    known = set(done.loc[known, "trouble"])
    told = feeds.index.map(lambda fault: f"feed-{fault}" in known)
    return feeds[(feeds["start"] < day) & (feeds["end"] <= day) & ~told.to_numpy(bool)]


def known_out(truth: Truth, fault: int, day: float) -> set[int]:
    """Return the lights of a fault that were told of or noted, and not worked on."""
    start, lights = truth.feeds["start"][fault], truth.feed_lights[fault]
    told = truth.reports
    told = told[(told["trouble"] == f"feed-{fault}") & (told["at"] < day)]
    told = told[told["told"].isin(lights)].set_index("told")["at"]
    seen = truth.sightings
    night_over = np.floor(seen["at"] - 0.5) + 1.5
    seen = seen[(seen["at"] > start) & (night_over < day) & seen["light"].isin(lights)]
    last = pd.concat([told, seen.set_index("light")["at"]]).groupby(level=0).max()
    done = truth.repairs
    done = done[(done["recorded"] < day) & (done["action"] != "follow_up")]
    worked = done[done["light"].isin(last.index)].groupby("light")["at"].max()
    since = worked.reindex(last.index).fillna(-np.inf)
    return set(last.index[last > since].tolist())


def _faults(
    truth: Truth,
    day: float,
    entries: Entries,
    reported: list[set[int]],
    open_now: pd.DataFrame,
) -> pd.DataFrame:
    rows = []
    for fault in open_now.index:
        kind, section = open_now["kind"][fault], open_now["section"][fault]
        verdict = "group_photocontrol" if kind == "photocontrol" else "supply_fault"
        lights = set(truth.feed_lights[fault].tolist())
        on = [one for one, some in zip(entries, reported, strict=True) if some & lights]
        sure = [one for one in on if _sure(one, verdict)]
        named = [[part["section_id"] for part in one["sections"]] for one in sure]
        want = f"S{section:05d}"
        ranks = [some.index(want) for some in named if want in some]
        known = len(known_out(truth, fault, day))
        drawn = section >= 0 and bool(truth.sections_on_record[section])
        rank = min(ranks, default=99)
        cabinet = bool(sure) or (section < 0 and any(map(_at_cabinet, on)))
        rows.append((fault, kind, section, drawn, known, bool(sure), rank, cabinet))
    columns = ["fault", "kind", "section", "on_record", "known", "found", "rank"]
    columns.append("cabinet")
    return pd.DataFrame(rows, columns=columns)


def reported_in(truth: Truth, storm: int, day: float) -> set[int]:
    """Return the lights of a storm that were told of by then."""
    rows = truth.reports
    rows = rows[(rows["trouble"] == f"storm-{storm}") & (rows["at"] < day)]
    return set(rows["told"]) & set(truth.storm_lights[storm].tolist())


def _storms(
    truth: Truth, day: float, entries: Entries, reported: list[set[int]]
) -> pd.DataFrame:
    rows = []
    for storm in truth.storms_at(day).index:
        told = reported_in(truth, storm, day)
        late = day - truth.storms["start"][storm] >= 1.9 / 24
        if late and len(told) >= 0.1 * len(truth.storm_lights[storm]):
            shares = [
                len(told & some) / len(told)
                for entry, some in zip(entries, reported, strict=True)
                if entry["verdict"] == "area_outage"
            ]
            rows.append((storm, len(told), max(shares, default=0.0)))
    return pd.DataFrame(rows, columns=["storm", "reported", "share"])


def still_listed(
    truth: Truth, storm: int, day: float, entries: Entries
) -> tuple[int, int, int]:
    """Return a storm's reported lights that nothing ails since: all, listed, believed.

    Believed: listed with another verdict than no_fault.
    """
    end = truth.storms["end"][storm]
    told = reported_in(truth, storm, day)
    ailing = truth.intervals
    again = ailing[
        (ailing["start"] < day) & (ailing["end"] > end + 0.01)
        & (ailing["trouble"] != f"storm-{storm}")
    ]  # fmt: skip
    told -= set(again["light"])
    later = truth.reports
    later = later[
        (later["at"] < day) & (later["at"] > end - 20)
        & (later["trouble"] != f"storm-{storm}")
    ]  # fmt: skip
    told -= set(later["told"])
    listed: set[int] = set()
    believed: set[int] = set()
    for entry in entries:
        here = numbers(entry["reported"]) & told
        listed |= here
        if entry["verdict"] != "no_fault":
            believed |= here
    return len(told), len(listed), len(believed)


def contradictions(town: RoughTown) -> pd.Series:
    """Return how often behaviour contradicted each light's wrong circuit on record.

    Known dark in a fault of its true circuit that others of it were known dark in; or
    passed by a patrol and not noted while all of its recorded circuit was dark.
    """
    truth, watch = town.truth, town.watch
    recorded = truth.recorded_circuit
    wrong = np.flatnonzero((recorded >= 0) & (recorded != truth.circuit))
    count = pd.Series(0, index=wrong)
    noted = set(zip(truth.sightings["light"], truth.sightings["at"], strict=True))
    ended = truth.feeds[truth.feeds["end"] < truth.days]
    for fault, start, end, section, circuit in ended[
        ["start", "end", "section", "circuit"]
    ].itertuples():
        known = known_ever(truth, fault)
        if len(known) > 1:
            count[sorted(set(wrong.tolist()) & known)] += 1
        for light in wrong[recorded[wrong] == circuit] if section < 0 else ():
            times = watch.visits[watch.road[light]]
            passed = times[(times > start) & (times < end)]
            count[light] += sum((light, at) not in noted for at in passed)
    return count


def known_ever(truth: Truth, fault: int) -> set[int]:
    """Return the lights of a fault that were told of or noted while it lasted."""
    start, end = truth.feeds["start"][fault], truth.feeds["end"][fault]
    lights = truth.feed_lights[fault]
    told = truth.reports[truth.reports["trouble"] == f"feed-{fault}"]
    seen = truth.sightings[truth.sightings["at"].between(start, end)]
    return (set(told["told"]) | set(seen["light"])) & set(lights.tolist())
