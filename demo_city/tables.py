"""What the utility owns, as tables of the exchange format."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from demo_city.days import YEAR_DAYS, Flags, Floats, Texts
from demo_city.feeds import OVERHEAD, SECTION_KINDS
from demo_city.fitting import HID_KINDS, LED, LED_KINDS, TECHNOLOGIES
from demo_city.geography import CLASSES, SPEEDS_KMH, degrees
from demo_city.simulating import Records
from demo_city.weather import STATIONS

DEPOTS = ("North yard", "South yard")
LIGHT_NOTES = (
    "bracket arm, tree near",
    'plate reads "7B"',
    "at the café",
    "=A1",
    "<b>post</b>",
)


@dataclass(frozen=True)
class Ids:
    """Names of everything; the last of each list is blank, for number -1."""

    light: Texts
    circuit: Texts
    section: Texts
    road: Texts
    report: Texts
    repair: Texts
    model: Texts


def named(letter: str, width: int, size: int) -> Texts:
    """Name things by a letter and a number, and nothing by a blank."""
    made = [f"{letter}{number:0{width}d}" for number in range(1, size + 1)]
    return np.array([*made, ""], dtype=object)


def ids(records: Records) -> Ids:
    """Name everything; the last name of each list is blank, for -1."""
    lights = records.lights.x.size
    return Ids(
        named("L", 6, lights),
        named("C", 5, records.world.feeds.group.size),
        named("S", 6, lights),
        named("R", 6, records.roads.name.size),
        named("Q", 7, len(records.told)),
        named("W", 7, len(records.repairs)),
        np.array([*records.world.catalogue.names, ""], dtype=object),
    )


def placed(records: Records, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return longitudes and latitudes of points in metres [degrees]."""
    parameters = records.world.parameters
    longitude, latitude = degrees(x, y, parameters.longitude, parameters.latitude)
    return np.round(longitude, 6), np.round(latitude, 6)


def lights_table(records: Records, ids: Ids, rng: np.random.Generator) -> pd.DataFrame:
    """Return the table of lights: one row per lighting position."""
    world, lights = records.world, records.lights
    fleet, feeds = world.fleet, world.feeds
    size = lights.x.size
    longitude, latitude = placed(records, lights.x, lights.y)
    owner = feeds.owner[feeds.circuit]
    section = np.arange(size)
    section[rng.random(size) < 0.01] = -1
    stop = np.where(fleet.stop < world.calendar.end, fleet.stop, np.nan)
    draw = rng.random(size) < 0.02
    notes = np.where(draw, rng.choice(np.array(LIGHT_NOTES, dtype=object), size), "")
    north = lights.y > -0.1 * np.abs(lights.y).max()
    return pd.DataFrame(
        {
            "light_id": ids.light[:-1],
            "pole_id": [f"P{20000 + number}" for number in range(size)],
            "longitude": longitude,
            "latitude": latitude,
            "road_id": ids.road[lights.road],
            "circuit_id": ids.circuit[feeds.circuit],
            "section_id": ids.section[section],
            "technology": np.array(TECHNOLOGIES, dtype=object)[fleet.technology],
            "watts": fleet.watts,
            "in_service": world.calendar.days(
                np.where(fleet.start > 0, fleet.start, np.nan)
            ),
            "removed_on": world.calendar.days(stop),
            "owner": np.where(fleet.ours, "", owner),
            "maintained_by": np.where(fleet.ours, "", owner),
            "feed_owner": owner,
            "depot": np.where(north, *DEPOTS),
            "notes": notes,
        }
    )


def _known(
    records: Records, born: Floats, entered: Flags, rng: np.random.Generator
) -> Texts:
    """Write installation dates as far as they are known."""
    days = records.world.calendar.days
    draw = rng.random(born.size)
    draw = np.where(entered, 0.0, draw)
    written = days(born)
    for low, high, unit in ((0.60, 0.84, "M"), (0.84, 0.92, "Y")):
        at = (draw >= low) & (draw < high)
        written[at] = days(born[at], unit)
    written[draw >= 0.92] = ""
    return written


def _fitted(records: Records) -> dict[str, NDArray[Any]]:
    """Return light, circuit, kind, model, birth of all first parts that are ours."""
    fleet, parts = records.world.fleet, []
    for kind in (*HID_KINDS, *LED_KINDS, "photocontrol", "fuse"):
        light = np.flatnonzero((fleet.model[kind] >= 0) & fleet.ours)
        if kind in LED_KINDS:
            light = light[fleet.technology[light] == LED]
        nowhere = np.full(light.size, -1)
        known = fleet.start[light] > 0
        of_kind = np.full(light.size, kind, dtype=object)
        model, born = fleet.model[kind][light], fleet.birth[kind][light]
        parts.append((light, nowhere, of_kind, model, born, known))
    circuit = np.flatnonzero(fleet.group_model >= 0)
    nowhere, known = np.full(circuit.size, -1), np.zeros(circuit.size, dtype=bool)
    of_kind = np.full(circuit.size, "photocontrol", dtype=object)
    model, born = fleet.group_model[circuit], fleet.group_birth[circuit]
    parts.append((nowhere, circuit, of_kind, model, born, known))
    names = ("light", "circuit", "kind", "model", "born", "known")
    return {n: np.concatenate([part[i] for part in parts]) for i, n in enumerate(names)}


def components_table(
    records: Records, ids: Ids, rng: np.random.Generator
) -> pd.DataFrame:
    """Return what was fitted at opening, or on entry into service later."""
    of = _fitted(records)
    return pd.DataFrame(
        {
            "light_id": ids.light[of["light"]],
            "circuit_id": ids.circuit[of["circuit"]],
            "kind": of["kind"],
            "model": ids.model[of["model"]],
            "installed_on": _known(records, of["born"], of["known"], rng),
        }
    )


def circuits_table(records: Records, ids: Ids) -> pd.DataFrame:
    """Return the table of circuits: one row per circuit."""
    feeds = records.world.feeds
    longitude, latitude = placed(records, feeds.source_x, feeds.source_y)
    main = np.where(feeds.feed == OVERHEAD, "overhead", "underground")
    letter = np.where(feeds.feed == OVERHEAD, "T", "K")
    number = np.arange(longitude.size)
    return pd.DataFrame(
        {
            "circuit_id": ids.circuit[:-1],
            "feed": np.where(feeds.mixed, "mixed", main),
            "voltage": feeds.volts,
            "control": np.where(feeds.group, "group", "own"),
            "source": [f"{a}{b + 101}" for a, b in zip(letter, number, strict=True)],
            "owner": feeds.owner,
            "longitude": longitude,
            "latitude": latitude,
        }
    )


def sections_table(
    records: Records, ids: Ids, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the table of sections: one row per section."""
    feeds = records.world.feeds
    old = np.zeros(feeds.kind.size, dtype=bool)
    return pd.DataFrame(
        {
            "section_id": ids.section[:-1],
            "circuit_id": ids.circuit[feeds.circuit],
            "upstream_section_id": ids.section[feeds.upstream],
            "kind": np.array(SECTION_KINDS, dtype=object)[feeds.kind],
            "length_m": feeds.length_m,
            "installed_on": _known(records, -feeds.laid_years * YEAR_DAYS, old, rng),
        }
    )


def stock_table(records: Records, rng: np.random.Generator) -> pd.DataFrame:
    """Return the table of stock: the shelves of both depots."""
    names = records.world.catalogue.names
    size = names.size * len(DEPOTS)
    on_hand = rng.negative_binomial(1.2, 0.05, size)
    ordered = rng.random(size) < 0.35
    due = records.world.calendar.end + rng.integers(3, 60, size)
    days = records.world.calendar.days
    return pd.DataFrame(
        {
            "model": np.repeat(names, len(DEPOTS)),
            "depot": np.tile(np.array(DEPOTS, dtype=object), names.size),
            "on_hand": on_hand,
            "on_order": np.where(ordered, 12 * rng.integers(1, 5, size), 0),
            "due_on": days(np.where(ordered, due, np.nan)),
        }
    )


def features(records: Records, ids: Ids) -> list[dict[str, object]]:
    """Return the roads as GeoJSON features."""
    roads = records.roads
    longitude, latitude = placed(records, roads.points[..., 0], roads.points[..., 1])
    lines = np.stack([longitude, latitude], axis=-1).tolist()
    return [
        {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": line},
            "properties": {
                "road_id": ids.road[i],
                "name": roads.name[i],
                "class": CLASSES[kind],
                "speed_kmh": SPEEDS_KMH[kind],
                "one_way": bool(one_way),
            },
        }
        for i, (line, kind, one_way) in enumerate(
            zip(lines, roads.road_class.tolist(), roads.one_way, strict=True)
        )
    ]


def stations_table(records: Records) -> pd.DataFrame:
    """Return the table of weather stations."""
    climate = records.world.climate
    longitude, latitude = placed(records, climate.x, climate.y)
    return pd.DataFrame(
        {"station_id": STATIONS, "longitude": longitude, "latitude": latitude}
    )
