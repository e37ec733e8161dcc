"""Finding a light, and the card of what is known about it."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from api.present import Picture
from api.readings import readings, readings_at
from lightwatch.decisions.cautions import CAUTIONS, READING, before_work
from lightwatch.decisions.triage import METHOD, Outage
from lightwatch.decisions.triage.spoken import (
    is_shared,
    next_said,
    not_heard_from,
    verdict_named,
    verdict_said,
    would_change,
)
from lightwatch.errors import NotUnderstood, UnknownAsset
from lightwatch.nights import YEAR
from lightwatch.observations.checks import distance_m
from lightwatch.store.frames import filled

MOST = 100
LAST_REPAIRS = 5


def not_ours(light: Any) -> str:
    """Say why a light, or its feed, is not ours to work on; '' if it is ours."""
    if light["maintained_by"]:
        return f"Maintained by {light['maintained_by']}: not ours to repair."
    if light["feed_owner"]:
        return f"Fed by {light['feed_owner']}: the feed is not ours to open."
    return ""


def brief(
    picture: Picture, light: Any, distance: float | None = None
) -> dict[str, Any]:
    """Return a light as one line of a list."""
    number = picture.trouble.get(light["light_id"])
    return {
        "light_id": light["light_id"],
        "pole_id": light["pole_id"],
        "longitude": light["longitude"],
        "latitude": light["latitude"],
        "road": picture.road_of.get(light["road_id"], ""),
        "circuit_id": light["circuit_id"],
        "technology": light["technology"],
        "not_ours": not_ours(light),
        "distance_m": None if distance is None else round(distance, 1),
        "symptom": None if number is None else picture.outages[number].symptom,
    }


def _listed(picture: Picture, frame: pd.DataFrame) -> list[dict[str, Any]]:
    away = frame["away"] if "away" in frame else [None] * len(frame)
    rows = frame.to_dict("records")
    return [brief(picture, row, far) for row, far in zip(rows, away, strict=True)]


def near(picture: Picture, place: str, limit: int) -> list[dict[str, Any]]:
    """Return the lights nearest to ``lon,lat`` [degrees], by great-circle distance.

    Raises
    ------
    NotUnderstood
        The place is not two numbers on the globe.
    """
    try:
        lon, lat = (float(part) for part in place.split(","))
    except ValueError:
        lon = lat = math.nan
    if not (abs(lon) <= 180 and abs(lat) <= 90):
        raise NotUnderstood(
            f"near {place!r} is no place (expected longitude,latitude in degrees)"
        )
    lights = picture.register.standing
    east, north = lights["longitude"].to_numpy(), lights["latitude"].to_numpy()
    away = distance_m(east, north, (lon, lat))
    order = np.argsort(away, kind="stable")[:limit]
    return _listed(picture, lights.iloc[order].assign(away=away[order]))


def search(picture: Picture, text: str, limit: int) -> list[dict[str, Any]]:
    """Return lights by tag: the same, then beginning, then containing; then by road."""
    wanted = text.strip().casefold()
    lights = picture.register.standing
    tags = [lights[name].str.casefold() for name in ("light_id", "pole_id")]
    roads = filled(lights["road_id"].map(picture.road_of), "").str.casefold()
    ranked = [
        (tags[0] == wanted),
        (tags[1] == wanted),
        tags[0].str.startswith(wanted) | tags[1].str.startswith(wanted),
        tags[0].str.contains(wanted, regex=False)
        | tags[1].str.contains(wanted, regex=False),
        roads.str.contains(wanted, regex=False),
    ]
    rank = np.select([one.to_numpy() for one in ranked], range(5), default=9)
    found = lights.assign(rank=rank)
    found = found[found["rank"] < 9].sort_values("rank", kind="stable")
    return _listed(picture, found.head(limit))


def fitted(picture: Picture, light: Any) -> list[dict[str, Any]]:
    """Return what hangs on a light now, and the group photocontrol that switches it."""
    frame = picture.register.fittings
    shared = light["circuit_id"] or None
    now = frame[
        (frame["end"] >= picture.known.as_of)
        & ((frame["light_id"] == light["light_id"]) | (frame["circuit_id"] == shared))
    ]
    models = picture.known.models.set_index("model")
    types, clock = models["type"].to_dict(), picture.known.clock
    rows = []
    for row in now.sort_values("kind").itertuples():
        since = None if math.isnan(row.installed) else int(row.installed)
        age = None if since is None else (picture.known.as_of - since) / YEAR
        rows.append(
            {
                "kind": row.kind,
                "model": row.model,
                "type": types.get(row.model, ""),
                "installed": since and clock.at(since).date().isoformat(),
                "age_years": None if age is None else round(age, 1),
                "group": bool(row.circuit_id),
            }
        )
    return rows


def last_repairs(picture: Picture, light: Any) -> list[dict[str, Any]]:
    """Return the last repairs at a light or on what feeds it, newest first."""
    repairs = picture.known.repairs
    way = picture.register.feeds.get(light["section_id"], ())
    whole = (repairs["light_id"] == "") & ~repairs["named"]
    circuit = whole & (repairs["circuit_id"] == light["circuit_id"])
    circuit &= (repairs["section_id"] == "") & (light["circuit_id"] != "")
    chosen = repairs[
        (repairs["light_id"] == light["light_id"])
        | circuit
        | (whole & repairs["section_id"].isin(way))
    ]
    newest = chosen.sort_values("happened", kind="stable")[::-1].head(LAST_REPAIRS)
    keys = list(newest["repair_id"])
    rows = picture.known.store.find("repairs", keys)
    return [record(rows[key]) for key in keys]


def record(row: dict[str, Any]) -> dict[str, Any]:
    """Return a repair's own columns, blank cells ''."""
    from lightwatch.words import resources

    return {name: row[name] or "" for name in resources()["repairs"].columns}


def trouble(picture: Picture, outage: Outage, light_id: str) -> dict[str, Any]:
    """Return what is open on a light, with the verdict in words.

    ``readings``: what the buttons of a test log; None where the fault is no shared
    one, or not ours to open.
    """
    shared = is_shared(outage)
    theirs = any(picture.others.get(one) for one in outage.reported)
    return {
        "circuit_id": outage.circuit_id,
        "said": verdict_said(outage),
        "seen_lit": len(outage.seen_lit) if shared else None,
        "not_heard_from": list(not_heard_from(outage)) if shared else [],
        "dark_since": outage.dark_since and outage.dark_since.date().isoformat(),
        "would_change": would_change(outage),
        "readings": None if theirs else readings(outage),
        "underground": outage.underground,
        "symptom": outage.symptom,
        "since": outage.since.isoformat(),
        "verdict": outage.verdict,
        "verdict_in_words": verdict_named(outage),
        "at_cabinet": outage.at_cabinet,
        "probability": outage.probability,
        "reported": light_id in outage.reported,
        "lights": len(outage.lights),
        "danger": list(outage.danger),
        "why": list(outage.why),
        "next": next_said(outage),
        "test_at": test_at(picture, outage),
        "test_first": outage.test_first and asdict(outage.test_first),
        "sections": [list(pair) for pair in outage.sections[:6]],
    }


def test_at(picture: Picture, outage: Outage) -> str:
    """Return the tag at the place of the next test, else what it is called."""
    test = outage.test_first
    if test is None:
        return ""
    return picture.pole_of.get(test.light_id or "") or test.light_id or test.where


def bring(outage: Outage, parts: list[dict[str, Any]]) -> dict[str, Any] | None:
    """Return the part most likely wanted, if the trouble is the light's own."""
    if outage.shown != "single_light":
        return None
    kind, chance = outage.components[0]
    if kind == "unknown":
        return None
    model = next((part["model"] for part in parts if part["kind"] == kind), "")
    return {"kind": kind, "model": model, "probability": chance}


def find(picture: Picture, light_id: str) -> Any:
    """Return a light in service.

    Raises
    ------
    UnknownAsset
        There is none of that name.
    """
    lights = picture.register.standing
    found = lights[lights["light_id"] == light_id]
    if found.empty:
        raise UnknownAsset(f"light_id {light_id!r} is no light in service")
    return found.iloc[0]


def card(picture: Picture, light_id: str) -> dict[str, Any]:
    """Return all that a crew wants to know of a light before touching it."""
    light = find(picture, light_id)
    circuits = picture.register.circuits.set_index("circuit_id")
    on_record = light["circuit_id"] in circuits.index
    circuit = circuits.loc[light["circuit_id"]] if on_record else None
    parts = fitted(picture, light)
    number = picture.trouble.get(light_id)
    outage = None if number is None else picture.outages[number]
    volts = None if circuit is None else circuit["voltage"]
    told = outage and trouble(picture, outage, light_id)
    test = outage and outage.test_first
    elsewhere = told and told["readings"] and test and test.light_id != light_id
    here = readings_at({"light_id": light_id}) if elsewhere else None
    return {
        **brief(picture, light),
        "as_of": picture.written,
        "section_id": light["section_id"],
        "feeds": list(picture.register.feeds.get(light["section_id"], ())),
        "watts": None if math.isnan(light["watts"]) else light["watts"],
        "owner": light["owner"],
        "maintained_by": light["maintained_by"],
        "feed_owner": light["feed_owner"],
        "notes": light["notes"],
        "feed": "" if circuit is None else circuit["feed"],
        "control": "" if circuit is None else circuit["control"],
        "source": "" if circuit is None else circuit["source"],
        "voltage": None if volts is None or math.isnan(volts) else volts,
        "fitted": parts,
        "repairs": last_repairs(picture, light),
        "trouble": told,
        "readings_here": here,
        "bring": outage and bring(outage, parts),
        "method": METHOD,
        "cautions": list(CAUTIONS),
        "before_work": list(before_work(outage.underground if outage else None)),
        "reading_cautions": list(READING),
    }
