"""The register extract that a device keeps, so that it works with the network gone.

Lights are rows of numbers that point into short lists; 6,000 lights stay well below a
megabyte on the wire.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

from api.lights import MOST, bring, not_ours, trouble
from api.present import Picture
from lightwatch.decisions.cautions import CAUTIONS, READING, before_work
from lightwatch.decisions.grounds import grounds
from lightwatch.observations.entry import MADE_SAFE, NO_FAULT, usual
from lightwatch.words import resources
from reports.grounds import not_known

LAST_REPAIRS = 3
"""Repairs of each light that the device keeps."""

OFTEN = (
    "photocontrol", "lamp", "driver", "led_module", "ignitor", "ballast", "fuse",
    "wiring",
)  # fmt: skip
"""Kinds in the order in which a crew is asked about them; common practice."""

_REPAIR = (
    "repair_id", "performed_at", "component", "action", "cause", "fitted_model",
    "proven", "made_safe",
)  # fmt: skip


@dataclass
class _List:
    """A short list; each value once, told by its number."""

    values: list[Any] = field(default_factory=list)
    numbers: dict[Any, int] = field(default_factory=dict)

    def number(self, value: Any) -> int:
        if value not in self.numbers:
            self.numbers[value] = len(self.values)
            self.values.append(value)
        return self.numbers[value]


_Fitted = dict[str, list[list[int | None]]]
"""Light or circuit to its parts, each with the month in which it was fitted."""


def jobs() -> dict[str, dict[str, str]]:
    """Return what goes without saying of each job."""
    fields = {one.name: one for one in resources()["repairs"].fields}
    rest = sorted((fields["component"].allowed or frozenset()) - set(OFTEN))
    return {what: usual(what) for what in (*OFTEN, *rest, NO_FAULT, MADE_SAFE)}


def _months(picture: Picture, instant: float) -> int | None:
    """Return whole months since 2000 of an instant, None where it is unknown."""
    if math.isnan(instant):
        return None
    at = picture.known.clock.at(int(instant))
    return (at.year - 2000) * 12 + at.month - 1


def _fitted(picture: Picture, parts: _List) -> _Fitted:
    frame = picture.register.fittings
    now = frame[frame["end"] >= picture.known.as_of]
    found: _Fitted = {}
    for row in now.itertuples():
        holder = row.light_id or row.circuit_id
        part = parts.number((row.kind, row.model))
        found.setdefault(holder, []).append([part, _months(picture, row.installed)])
    return found


def _repairs(picture: Picture, words: _List) -> dict[str, list[list[Any]]]:
    repairs = picture.known.repairs
    own = repairs[repairs["light_id"] != ""].sort_values("happened", kind="stable")
    last = own.groupby("light_id", sort=False).tail(LAST_REPAIRS)[::-1]
    clock = picture.known.clock
    found: dict[str, list[list[Any]]] = {}
    for row in last.itertuples():
        at = clock.at(row.happened).isoformat(timespec="minutes")
        told = [words.number(getattr(row, name)) for name in _REPAIR[2:]]
        found.setdefault(row.light_id, []).append([row.repair_id, at, *told])
    return found


def _lights(
    picture: Picture, lists: dict[str, _List], fittings: _Fitted
) -> list[list[Any]]:
    repairs = _repairs(picture, lists["words"])
    rows = []
    for light in picture.register.standing.to_dict("records"):
        name = light["light_id"]
        road = picture.road_of.get(light["road_id"], "")
        rows.append(
            [
                name,
                light["pole_id"],
                round(light["longitude"], 6),
                round(light["latitude"], 6),
                lists["roads"].number(road),
                lists["circuits"].number(light["circuit_id"]),
                light["section_id"],
                lists["words"].number(light["technology"]),
                lists["words"].number(not_ours(light)),
                fittings.get(name, []),
                repairs.get(name, []),
            ]
        )
    return rows


def _circuits(picture: Picture, names: list[str], fittings: _Fitted) -> list[list[Any]]:
    known = picture.register.circuits.set_index("circuit_id")
    rows: list[list[Any]] = []
    for name in names:
        if name not in known.index:
            rows.append([name, "", None, "", "", []])
            continue
        row = known.loc[name]
        volts = None if math.isnan(row["voltage"]) else row["voltage"]
        group = fittings.get(name, [])
        rows.append([name, row["feed"], volts, row["control"], row["source"], group])
    return rows


def troubles(picture: Picture, circuit_id: str | None = None) -> list[dict[str, Any]]:
    """Return every open trouble as a device keeps it, or those of one circuit."""
    rows = []
    by_light = picture.register.fittings
    now = by_light[by_light["end"] >= picture.known.as_of]
    for outage in picture.outages:
        if circuit_id is not None and outage.circuit_id != circuit_id:
            continue
        first = outage.reported[0]
        own = now[now["light_id"] == first][["kind", "model"]].to_dict("records")
        told = trouble(picture, outage, first)
        del told["reported"]
        if not told["readings"]:
            del told["why"], told["would_change"]
        rows.append(
            {
                **told,
                "probability": round(outage.probability, 3),
                "sections": [[name, round(p, 3)] for name, p in outage.sections[:6]],
                "light_ids": list(outage.lights[:MOST]),
                "reported": list(outage.reported[:MOST]),
                "bring": bring(outage, own),
            }
        )
    return rows


def _document(picture: Picture) -> dict[str, Any]:
    lists = {name: _List() for name in ("parts", "words", "roads", "circuits")}
    fittings = _fitted(picture, lists["parts"])
    rows = _lights(picture, lists, fittings)
    circuits = _circuits(picture, lists["circuits"].values, fittings)
    models = picture.known.models
    columns = ("model", "kind", "type", "maker")
    volts = models[["volts_min", "volts_max"]].astype(object)
    volts = volts.where(models[["volts_min", "volts_max"]].notna(), None)
    return {
        "format": 2,
        "place": picture.known.place["name"],
        "as_of": picture.written,
        "cautions": list(CAUTIONS),
        "reading_cautions": list(READING),
        "before_work": {
            json.dumps(feed): list(before_work(feed)) for feed in (True, False, None)
        },
        "jobs": jobs(),
        "models": [
            [*text, *range_]
            for text, range_ in zip(
                models[list(columns)].to_numpy().tolist(),
                volts.to_numpy().tolist(),
                strict=True,
            )
        ],
        "upstream": dict(
            zip(
                picture.known.sections["section_id"],
                picture.known.sections["upstream_section_id"],
                strict=True,
            )
        ),
        "repair_columns": list(_REPAIR),
        "lights": rows,
        "troubles": troubles(picture),
        "not_known": not_known(grounds(picture.register, "outages")),
        "parts": [list(pair) for pair in lists["parts"].values],
        "words": lists["words"].values,
        "roads": lists["roads"].values,
        "circuits": circuits,
    }


def extract(picture: Picture) -> tuple[bytes, str]:
    """Return the extract as JSON, and a tag that changes when its content does."""
    if "register" not in picture.extracts:
        document = _document(picture)
        text = json.dumps(
            document, ensure_ascii=False, separators=(",", ":"), allow_nan=False
        )
        same = json.dumps({**document, "as_of": ""}, sort_keys=True)
        tag = sha256(same.encode()).hexdigest()[:32]
        picture.extracts["register"] = text.encode(), f'W/"{tag}"'
    return picture.extracts["register"]
