"""What the office has on record, as tables of the exchange format."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.packages import write_package
from tests.rough_town.drawings import Drawings
from tests.rough_town.laws import LAWS
from tests.rough_town.parts import KIND, Parts
from tests.rough_town.roads import roads_file
from tests.rough_town.rules import Roughness
from tests.rough_town.streets import Floats, Ints, Streets, degrees
from tests.rough_town.watching import Watch

OPENED = "2016-01-01"
MAKERS = ("Ardel", "Brenk")
NOT_LISTED = ("wiring", "cable", "line", "supply")
"""Kinds that have no row in components."""

Names = NDArray[np.object_]


@dataclass(frozen=True)
class Written:
    """Tables of a package, and which row is which."""

    tables: dict[str, pd.DataFrame]
    roads: list[dict[str, Any]]
    created: str
    report_ids: Names
    repairs_made: pd.DataFrame
    """Repairs on record: repair_id and what is true of them."""


def when(days: Floats) -> Names:
    """Return days since opening as local times; the town keeps UTC."""
    minutes = np.round(np.asarray(days, dtype=float) * 1440).astype("timedelta64[m]")
    found = np.datetime_as_string(np.datetime64(OPENED, "m") + minutes, unit="m")
    return np.asarray(found, dtype=object)


def named(letter: str, numbers: Sequence[int] | Ints) -> Names:
    """Return identifiers; a negative number is blank."""
    return np.array([f"{letter}{n:05d}" if n >= 0 else "" for n in numbers], object)


MODELS = [[f"{law.kind[:2]}-{law.type}-{maker[0]}".upper() for maker in MAKERS]
          for law in LAWS]  # fmt: skip


def modelled(law: Ints, model: Ints) -> Names:
    """Return catalogue models; blank where nothing was fitted."""
    pairs = zip(law.tolist(), model.tolist(), strict=True)
    found = [
        MODELS[a][b] if a >= 0 and KIND[a] not in NOT_LISTED else "" for a, b in pairs
    ]
    return np.array(found, dtype=object)


def papers(
    streets: Streets,
    parts: Parts,
    drawings: Drawings,
    watching: Watch,
    weather: pd.DataFrame,
    reports: pd.DataFrame,
    repairs: pd.DataFrame,
    seen: pd.DataFrame,
    rough: Roughness,
    rng: np.random.Generator,
) -> Written:
    """Write everything down, as roughly as the preset says."""
    days = len(weather)
    ids = named("Q", np.arange(len(reports)))
    undrawn = (repairs["section"] >= 0) & ~drawings.sections[repairs["section"]]
    rows, made = _repairs(
        repairs.assign(section=repairs["section"].mask(undrawn, -1)),
        ids, streets.circuit, rough, rng, days,
    )  # fmt: skip
    tables = {
        "lights": _lights(streets, drawings),
        "circuits": _circuits(streets),
        "sections": _sections(streets, drawings),
        "models": _models(),
        "components": _components(parts, rng),
        "reports": _reports(reports, ids),
        "repairs": rows,
        **_patrols(watching, seen, days),
        "stations": pd.DataFrame([{"station_id": "W1", "longitude": 2.0,
                                   "latitude": 48.0}]),
        "weather": weather.assign(
            station_id="W1", date=[day[:10] for day in when(np.arange(days))]
        ),
    }  # fmt: skip
    created = str(when(np.array([float(days)]))[0]) + ":00+00:00"
    return Written(tables, roads_file(streets), created, ids, made)


def _lights(streets: Streets, drawings: Drawings) -> pd.DataFrame:
    lon, lat = degrees(streets.x, streets.y)
    everything = np.arange(streets.lights)
    return pd.DataFrame(
        {
            "light_id": named("L", everything), "pole_id": named("P", everything),
            "longitude": lon.round(6), "latitude": lat.round(6),
            "road_id": named("R", streets.road),
            "circuit_id": named("C", drawings.circuit),
            "section_id": named("S", drawings.section),
            "technology": streets.technology, "watts": 70,
        }
    )  # fmt: skip


def _circuits(streets: Streets) -> pd.DataFrame:
    source = np.flatnonzero(streets.up < 0)
    lon, lat = degrees(streets.x[source] + 6.0, streets.y[source] + 4.0)
    return pd.DataFrame(
        {
            "circuit_id": named("C", streets.circuit[source]), "feed": streets.feed,
            "control": np.where(streets.group, "group", "own"), "voltage": 230,
            "longitude": lon.round(6), "latitude": lat.round(6),
        }
    )  # fmt: skip


def _sections(streets: Streets, drawings: Drawings) -> pd.DataFrame:
    frame = pd.DataFrame(
        {
            "section_id": named("S", np.arange(streets.lights)),
            "circuit_id": named("C", streets.circuit),
            "upstream_section_id": named("S", streets.up),
            "kind": streets.construction, "length_m": streets.length.round(1),
            "installed_on": streets.built[streets.circuit].astype(str),
        }
    )  # fmt: skip
    return frame[drawings.sections]


def _models() -> pd.DataFrame:
    rows = [
        {"model": MODELS[i][j], "kind": law.kind, "type": law.type, "maker": maker}
        for i, law in enumerate(LAWS)
        if law.kind not in NOT_LISTED
        for j, maker in enumerate(MAKERS)
    ]
    return pd.DataFrame(rows)


def _components(parts: Parts, rng: np.random.Generator) -> pd.DataFrame:
    """Return what hung there at first; dates are whole, a year, or not known."""
    kept = ~np.isin(KIND[parts.law], NOT_LISTED)
    light, law = parts.light[kept], parts.law[kept]
    day = np.array([one[:10] for one in when(parts.installed[kept])], dtype=object)
    year = np.array([one[:4] for one in day], dtype=object)
    u = rng.random(len(law))
    return pd.DataFrame(
        {
            "light_id": named("L", light),
            "circuit_id": named("C", np.where(light < 0, parts.circuit[kept], -1)),
            "kind": KIND[law], "model": modelled(law, parts.model[kept]),
            "installed_on": np.where(u < 0.3, day, np.where(u < 0.75, year, "")),
        }
    )  # fmt: skip


def _reports(reports: pd.DataFrame, ids: Names) -> pd.DataFrame:
    lon, lat = degrees(reports["x"].to_numpy(), reports["y"].to_numpy())
    return pd.DataFrame(
        {
            "report_id": ids, "received_at": when(reports["at"].to_numpy()),
            "light_id": named("L", reports["named"].to_numpy()),
            "longitude": lon.round(6), "latitude": lat.round(6),
            "symptom": reports["symptom"],
        }
    )  # fmt: skip


def _recorded(at: Floats, rough: Roughness, rng: np.random.Generator) -> Floats:
    """Return when repairs came to the office: next day, or weeks later."""
    u = rng.random(len(at))
    soon, weeks = rng.exponential(0.4, len(at)), rng.lognormal(np.log(7), 0.7, len(at))
    return at + np.where(u < rough.late, np.minimum(weeks, 40.0), soon)


def _repairs(
    repairs: pd.DataFrame,
    ids: Names,
    circuit_of: Ints,
    rough: Roughness,
    rng: np.random.Generator,
    days: int,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return repairs as written, and what is true of them.

    Of those that do not name their light, half name the report instead, and half only
    the circuit.
    """
    recorded = _recorded(repairs["at"].to_numpy(), rough, rng)
    u, v = rng.random((2, len(repairs)))
    known = recorded < days - 0.01
    rows = repairs[known].assign(recorded=recorded[known])
    light, told = rows["light"].to_numpy(), rows["report"].to_numpy()
    own, half = light >= 0, rough.no_light / 2
    could = own & (told >= 0)
    by_report = could & (v[known] < half * own.sum() / max(1, could.sum()))
    by_circuit = own & ~by_report & (v[known] > 1 - half)
    nameless = by_report | by_circuit
    lost = ((u[known] < rough.no_number) & ~by_report) | by_circuit
    report = np.where(lost, -1, told)
    circuit = np.where(by_circuit, circuit_of[light], rows["circuit"])
    made = rows.assign(repair_id=named("W", np.arange(len(rows))))
    numbers = np.where(report >= 0, ids[report], "")
    return _jobs(made, numbers, np.where(nameless, -1, light), circuit), made


def _jobs(
    made: pd.DataFrame, numbers: Names, light: Ints, circuit: Ints
) -> pd.DataFrame:
    """Return the rows of repairs, with reports, lights and circuits as on paper."""
    law, model = made["fitted"].to_numpy(), made["model"].to_numpy()
    return pd.DataFrame(
        {
            "repair_id": made["repair_id"], "performed_at": when(made["at"].to_numpy()),
            "recorded_at": when(made["recorded"].to_numpy()),
            "report_id": numbers,
            "light_id": named("L", light),
            "circuit_id": named("C", circuit),
            "section_id": named("S", made["section"].to_numpy()),
            "cause": made["cause"], "action": made["action"],
            "component": made["component"],
            "fitted_model": modelled(law, model),
            "symptom_found": made["found"], "proven": made["proven"],
            "follow_up": made["follow_up"],
        }
    )  # fmt: skip


def _patrols(watching: Watch, seen: pd.DataFrame, days: int) -> dict[str, pd.DataFrame]:
    road, visit = np.nonzero(watching.visits < days - 0.5)
    patrol = watching.visit_patrol[road, visit]
    started = when(watching.patrols["start"].to_numpy()[patrol])
    rows = pd.DataFrame(
        {"patrol_id": named("N", patrol), "started_at": started,
         "road_id": named("R", road), "kind": "night"}
    )  # fmt: skip
    noted = seen[seen["patrol"].isin(np.unique(patrol))]
    sightings = pd.DataFrame(
        {
            "patrol_id": named("N", noted["patrol"].to_numpy(dtype=np.int64)),
            "light_id": named("L", noted["light"].to_numpy(dtype=np.int64)),
            "state": noted["state"], "seen_at": when(noted["at"].to_numpy()),
        }
    )  # fmt: skip
    return {
        "patrols": rows.sort_values(["patrol_id", "road_id"]),
        "sightings": sightings,
    }


def write(folder: Path, written: Written) -> Path:
    """Write the package."""
    tables: dict[str, list[dict[str, Any]]] = {
        name: frame.to_dict("records")  # type: ignore[misc]
        for name, frame in written.tables.items()
    }
    return write_package(
        folder, tables, created=written.created, opened_on=OPENED, roads=written.roads
    )
