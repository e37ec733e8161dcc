"""What people reported, crews mended and patrols saw, as tables of the format."""

from __future__ import annotations

import numpy as np
import pandas as pd

from demo_city import noticing
from demo_city.days import Floats, Ints
from demo_city.feeds import LIGHT
from demo_city.parameters import SYMPTOMS
from demo_city.simulating import Records
from demo_city.tables import Ids, named, placed


def reports_table(records: Records, ids: Ids) -> pd.DataFrame:
    """Return the table of reports."""
    given = records.reports
    longitude, latitude = placed(records, given["x"].to_numpy(), given["y"].to_numpy())
    return pd.DataFrame(
        {
            "report_id": ids.report[:-1],
            "received_at": records.world.calendar.moments(given["at"].to_numpy()),
            "light_id": ids.light[given["light"].to_numpy()],
            "longitude": longitude,
            "latitude": latitude,
            "symptom": given["symptom"],
            "channel": given["channel"],
            "danger": given["danger"],
            "notes": given["notes"],
        }
    )


def repairs_table(records: Records, ids: Ids) -> pd.DataFrame:
    """Return the table of repairs."""
    rows, calendar = records.repairs, records.world.calendar

    def number(name: str) -> Ints:
        return np.asarray(rows[name], dtype=np.float64).astype(np.int64)

    too = ids.model[number("fitted_too")]
    fitted = ids.model[number("fitted")]
    joined = np.where(too == "", fitted, fitted + "+" + too)
    birth = rows["birth"].to_numpy(dtype=np.float64)
    code = calendar.days(birth, "M")
    year = np.arange(len(rows)) % 5 == 0
    code[year] = calendar.days(birth[year], "Y")
    return pd.DataFrame(
        {
            "repair_id": ids.repair[:-1],
            "performed_at": calendar.moments(rows["performed"].to_numpy()),
            "recorded_at": calendar.moments(rows["recorded"].to_numpy()),
            "crew": rows["crew"],
            "report_id": ids.report[number("report")],
            "light_id": ids.light[number("light")],
            "circuit_id": ids.circuit[number("circuit")],
            "section_id": ids.section[number("section")],
            "cause": rows["cause"],
            "action": rows["action"],
            "component": rows["component"],
            "fitted_model": joined,
            "removed_model": ids.model[number("removed")],
            "removed_date_code": code,
            "symptom_found": rows["found"],
            "volts": rows["volts"],
            "proven": rows["proven"],
            "made_safe": rows["made_safe"],
            "temporary_feed_until": calendar.days(rows["temporary_until"].to_numpy()),
            "follow_up": rows["follow_up"],
            "supersedes": ids.repair[number("supersedes")],
            "notes": rows["notes"],
        }
    )


def _rounds_over(records: Records) -> tuple[Ints, Ints, Ints, Floats]:
    """Return stream, beat, number and start of the rounds over by the export."""
    world, end = records.world, records.world.calendar.end
    beats = int(world.watch.rounds[0].first.size)
    parts = []
    for by, rounds in enumerate(world.watch.rounds):
        b, k = (a.ravel() for a in np.mgrid[0:beats, 0 : int(end / rounds.every) + 1])
        at = rounds.started_at(b, k)
        told_after = 1.0 if by else 1.5  # next midnight; noon after the night
        over = np.flatnonzero(np.floor(at) + told_after < end)
        parts.append((np.full(over.size, by), b[over], k[over], at[over]))
    stream, beat, number, start = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    rank = np.lexsort((beat, start))
    return stream[rank], beat[rank], number[rank], start[rank]


def patrols_table(records: Records, ids: Ids) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the table of rounds that were over by the export, and their sightings."""
    order, beat, _ = noticing.beats(
        records.world.parameters, records.roads, records.lights
    )
    count = np.bincount(beat)
    by, b, k, at = _rounds_over(records)
    name = named("N", 6, by.size)[:-1]
    place = np.repeat(np.arange(by.size), count[b])
    first = (np.cumsum(count) - count)[b[place]]
    step = np.arange(place.size) - np.repeat(np.cumsum(count[b]) - count[b], count[b])
    kinds = np.array(["night", "day"], dtype=object)
    patrols = pd.DataFrame(
        {
            "patrol_id": name[place],
            "started_at": records.world.calendar.moments(at)[place],
            "road_id": ids.road[order[first + step]],
            "kind": kinds[by][place],
        }
    )
    return patrols, _sightings(records, ids, pd.Series(name, [by, b, k]))


def _sightings(records: Records, ids: Ids, name: pd.Series) -> pd.DataFrame:
    seen, world = records.seen, records.world
    light = seen["light"].to_numpy()
    beat = world.watch.rounds[0].beat[light]
    key = pd.MultiIndex.from_arrays([seen["by"], beat, seen["round"]])
    patrol = name.reindex(key).to_numpy()
    trouble = seen["trouble"].to_numpy()
    symptom = records.troubles["symptom"].to_numpy()[trouble]
    level = records.troubles["level"].to_numpy()[trouble]
    holder = records.troubles["holder"].to_numpy()[trouble]
    crowd = world.feeds.dark_count(level, holder) >= 4
    group = (level != LIGHT) & crowd & (symptom == noticing.OUT)
    symptom = np.where(group, noticing.GROUP_OUT, symptom)
    frame = pd.DataFrame(
        {
            "patrol_id": patrol,
            "light_id": ids.light[light],
            "state": np.array(SYMPTOMS, dtype=object)[symptom],
            "seen_at": world.calendar.moments(seen["seen_at"].to_numpy()),
        }
    )
    frame = frame[frame["patrol_id"].notna()]
    frame = frame.sort_values(["patrol_id", "seen_at", "light_id"], kind="stable")
    return frame.drop_duplicates(["patrol_id", "light_id"], ignore_index=True)
