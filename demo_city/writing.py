"""The records of the city as the tables of the exchange format."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from demo_city import logs, tables
from demo_city.geography import degrees
from demo_city.parameters import Parameters
from demo_city.simulating import live
from demo_city.truth import Truth, truth_of
from lightwatch import words

DEPOT_EAST_M, DEPOT_NORTH_M = 180.0, 420.0


@dataclass(frozen=True)
class City:
    """An invented city as its utility would export it.

    Parameters
    ----------
    parameters
        What it was made from.
    tables
        Resource name to its rows, in the format's columns.
    roads
        GeoJSON features.
    truth
        What the records do not say.
    """

    parameters: Parameters
    tables: dict[str, pd.DataFrame]
    roads: list[dict[str, object]]
    truth: Truth

    def write(self, directory: str | Path) -> None:
        """Write the package: CSV files, roads.geojson, datapackage.json; no truth."""
        folder = Path(directory)
        folder.mkdir(parents=True, exist_ok=True)
        for name, resource in words.resources().items():
            if name in self.tables:
                self.tables[name].to_csv(
                    folder / resource.path,
                    index=False,
                    encoding="utf-8",
                    lineterminator="\n",
                )
        features = ",\n".join(json.dumps(f, ensure_ascii=False) for f in self.roads)
        roads = f'{{"type": "FeatureCollection", "features": [\n{features}\n]}}\n'
        path = folder / words.resources()["roads"].path
        path.write_text(roads, "utf-8", newline="\n")
        text = json.dumps(self.descriptor(), ensure_ascii=False, indent=1) + "\n"
        (folder / "datapackage.json").write_text(text, "utf-8", newline="\n")

    def descriptor(self) -> dict[str, object]:
        """Return the package's descriptor: the format's, with this place in it."""
        found: dict[str, object] = words.descriptor()
        parameters = self.parameters
        longitude, latitude = degrees(
            np.array([DEPOT_EAST_M]),
            np.array([DEPOT_NORTH_M]),
            parameters.longitude,
            parameters.latitude,
        )
        found["created"] = parameters.created.isoformat()
        found["title"] = f"Street-lighting records of {parameters.name}, invented"
        found["lightwatch:place"] = {
            "name": parameters.name,
            "opened_on": parameters.opened_on.isoformat(),
            "timezone": parameters.timezone,
            "depot": {
                "longitude": round(float(longitude[0]), 6),
                "latitude": round(float(latitude[0]), 6),
            },
        }
        return found


def simulate(parameters: Parameters, seed: int) -> City:
    """Simulate an invented city; the same parameters and seed give the same bytes."""
    records = live(parameters, seed)
    rng = np.random.default_rng([seed, 1])
    ids = tables.ids(records)
    patrols, sightings = logs.patrols_table(records, ids)
    written = {
        "lights": tables.lights_table(records, ids, rng),
        "components": tables.components_table(records, ids, rng),
        "models": records.world.catalogue.frame,
        "circuits": tables.circuits_table(records, ids),
        "sections": tables.sections_table(records, ids, rng),
        "reports": logs.reports_table(records, ids),
        "repairs": logs.repairs_table(records, ids),
        "patrols": patrols,
        "sightings": sightings,
        "weather": records.world.climate.daily,
        "stations": tables.stations_table(records),
        "stock": tables.stock_table(records, rng),
    }
    roads = tables.features(records, ids)
    return City(parameters, written, roads, truth_of(records, ids))
