"""A package of 100,000 lights, 300,000 components and 1,000,000 repairs, written fast.

Its rows are plausible in form only; it is for timing intake, not for judging answers.
"""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from lightwatch.words import descriptor

LIGHTS, REPAIRS, PER_CIRCUIT = 100_000, 1_000_000, 25


def _table(path: Path, header: str, rows: Iterable[tuple[object, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header.split(","))
        writer.writerows(rows)


def _times(rng: np.random.Generator, count: int) -> list[str]:
    minutes = np.sort(rng.integers(0, 9 * 365 * 1440, count))
    times = np.datetime64("2016-01-01T00:00") + minutes.astype("timedelta64[m]")
    return [str(text) for text in np.datetime_as_string(times)]


def _later(done: str, days: int) -> str:
    later = np.datetime64(done[:10]) + np.timedelta64(days, "D")
    return f"{later}T08:00"


def write(folder: Path, *, spoilt: bool = False, seed: int = 1) -> None:
    """Write the package; ``spoilt`` makes its last repair bad."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    described = descriptor()
    described["created"] = "2025-10-01T00:00:00+02:00"
    described["lightwatch:place"]["name"] = "Big town"
    (folder / "datapackage.json").write_text(json.dumps(described), "utf-8")
    circuits = LIGHTS // PER_CIRCUIT
    lon = 15.5 + rng.random(LIGHTS).round(6) * 0.2
    lat = 47.2 + rng.random(LIGHTS).round(6) * 0.2
    _table(
        folder / "circuits.csv",
        "circuit_id,feed,voltage,control",
        ((f"C{i:05}", "underground", 230, "own") for i in range(circuits)),
    )
    _table(
        folder / "lights.csv",
        "light_id,pole_id,longitude,latitude,circuit_id,technology,watts",
        (
            (f"L{i:06}", f"P{i}", f"{lon[i]:.6f}", f"{lat[i]:.6f}",
             f"C{i // PER_CIRCUIT:05}", "hps", 130)
            for i in range(LIGHTS)
        ),
    )  # fmt: skip
    _table(
        folder / "components.csv",
        "light_id,kind,model,installed_on",
        (
            (f"L{i:06}", kind, f"M-{kind}", f"{2000 + i % 15}-03-0{1 + i % 9}")
            for kind in ("lamp", "photocontrol", "ballast")
            for i in range(LIGHTS)
        ),
    )
    _table(
        folder / "models.csv",
        "model,kind,type",
        ((f"M-{kind}", kind, "hps") for kind in ("lamp", "photocontrol", "ballast")),
    )
    done, late = _times(rng, REPAIRS), rng.integers(1, 9, REPAIRS)
    light = rng.integers(0, LIGHTS, REPAIRS)
    kinds = np.array(["lamp", "photocontrol", "ballast"])[rng.integers(0, 3, REPAIRS)]
    spoil = {REPAIRS - 1} if spoilt else set()
    _table(
        folder / "repairs.csv",
        "repair_id,performed_at,recorded_at,crew,light_id,circuit_id,cause,action,"
        "component,fitted_model,symptom_found,proven,notes",
        (
            (f"W{i:07}", done[i], _later(done[i], int(late[i])), f"crew-{late[i]}",
             f"L{light[i]:06}", f"C{light[i] // PER_CIRCUIT:05}", kinds[i],
             "exploded" if i in spoil else "replaced", kinds[i], f"M-{kinds[i]}",
             "out", "cover_test", "wet inside, lid loose" if i % 7 == 0 else "")
            for i in range(REPAIRS)
        ),
    )  # fmt: skip


if __name__ == "__main__":
    write(Path(sys.argv[1]), spoilt="--spoilt" in sys.argv)
