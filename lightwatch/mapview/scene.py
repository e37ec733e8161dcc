"""What the map draws, as whole numbers and words ready for the page."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lightwatch.decisions.triage.outage import SHARED, Outage
from lightwatch.decisions.triage.spoken import (
    is_shared,
    source_is_likeliest,
    verdict_said,
)
from lightwatch.mapview.card import card, feed_letter, nights
from lightwatch.mapview.inferred import inferred_lines
from lightwatch.mapview.tree import (
    Circuit,
    Light,
    Point,
    circuits_of,
    dark_stretch,
    lights_of,
)

PER_DEGREE = 100_000
"""Steps of the whole numbers per degree: about a metre."""

WEIGHTS = {"motorway": 3, "trunk": 3, "arterial": 3, "primary": 3, "collector": 2}
"""Class of road to its line's weight; 1 for the rest."""

SUSPECTS = 3
"""Likeliest sections marked on the dark stretch."""

BANDS = (0.7, 0.9)
"""Probabilities from which a stretch is drawn thicker: probably, almost certainly."""

SILENT, REPORTED, LIT = 0, 1, 2
"""What a light of a shared fault is drawn as."""

ROUND_AN_AREA_DEGREES = 0.0008
"""Room left between an area's lights and its outline: about 80 m."""


def coded(line: Iterable[Point]) -> list[int]:
    """Return a line as its first point and then steps, in 1/100 000 degree."""
    points = np.rint(np.asarray(list(line), float).reshape(-1, 2) * PER_DEGREE)
    steps = np.diff(points, axis=0, prepend=np.zeros((1, 2)))
    flat: list[int] = steps.astype(int).ravel().tolist()
    return flat


def safe_json(value: object) -> str:
    """Return JSON that can stand inside a script element, whatever its texts say."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


RANKS = (
    "Danger first",
    "Area outages",
    "Suspected shared faults",
    "Lights on their own",
)


@dataclass(frozen=True)
class Scene:
    """The outages with what feeds them, worst first."""

    outages: tuple[Outage, ...]
    lights: dict[str, Light]
    """Lights in trouble and those on their circuits."""
    circuits: dict[str, Circuit]
    as_of: datetime

    @classmethod
    def of(
        cls,
        outages: Sequence[Outage],
        lights: pd.DataFrame,
        sections: pd.DataFrame,
        circuits: pd.DataFrame,
        as_of: datetime,
    ) -> Scene:
        """Gather what the outages concern; the rest of the register is left out."""
        wanted = {one.circuit_id for one in outages if one.circuit_id is not None}
        dark = {light for one in outages for light in one.lights}
        near = lights["circuit_id"].isin(wanted) | lights["light_id"].isin(dark)
        found = lights_of(lights[near])
        trees = circuits_of(wanted, circuits, sections, found.values())
        ranked = sorted(outages, key=lambda one: _rank(one, as_of))
        return cls(tuple(ranked), found, trees, as_of)

    def payload(self) -> dict[str, Any]:
        """Return circuits and outages as the page's script reads them."""
        loud = {one.circuit_id for one in self.outages if is_shared(one)}
        inferred = {one.circuit_id for one in self.outages if one.inferred} & loud
        return {
            "circuits": [
                [
                    _feed(circuit),
                    int(name in loud),
                    int(name in inferred),
                    [
                        coded(line)
                        for line in (
                            inferred_lines(circuit)
                            if name in inferred
                            else circuit.lines()
                        )
                    ],
                ]
                for name, circuit in self.circuits.items()
            ],
            "outages": [self._mark(outage) for outage in self.outages],
        }

    def _mark(self, outage: Outage) -> dict[str, Any]:
        circuit = self.circuits.get(outage.circuit_id or "")
        known = [self.lights[one] for one in outage.lights if one in self.lights]
        mark = {
            "circuit": outage.circuit_id or "",
            "verdict": outage.shown,
            "feed": feed_letter(outage),
            "dots": self._dots(outage),
            "count": len(outage.lights),
            "danger": int(bool(outage.danger)),
            "theirs": int(bool(known) and all(one.maintained_by for one in known)),
            "card": card(outage, circuit, self.lights, self.as_of),
        }
        if is_shared(outage) and outage.inferred and not circuit:
            circuit = Circuit("", lights=known)
        if is_shared(outage) and circuit:
            mark["inferred"] = int(outage.inferred)
            mark["stretch"] = _stretch(outage, circuit)
            mark["suspects"] = [coded(x) for x in _suspects(outage, circuit)]
        if outage.shown == "area_outage":
            mark["outline"] = coded(_outline(known))
        if at := self._at(outage, circuit, known):
            mark["at"] = coded([at])
        return mark

    def _dots(self, outage: Outage) -> list[list[int]]:
        """Return the lights of an outage, and what each is drawn as."""
        drawn_as = dict.fromkeys(outage.lights, SILENT)
        drawn_as |= dict.fromkeys(outage.seen_lit, LIT)
        drawn_as |= dict.fromkeys(outage.reported, REPORTED)
        return [
            [*coded([self.lights[one].point]), state]  # type: ignore[list-item]
            for one, state in drawn_as.items()
            if one in self.lights and self.lights[one].point
        ]

    def _at(
        self, outage: Outage, circuit: Circuit | None, known: list[Light]
    ) -> Point | None:
        by_map = outage.inferred and outage.shown == "supply_fault"
        if circuit and is_shared(outage) and not by_map:
            place = circuit.source_point
            if not source_is_likeliest(outage):
                place = circuit.middle(outage.sections[0][0]) or place
            if place:
                return place
        points = [light.point for light in known if light.point]
        if not points:
            return None
        away = np.array(points) - np.median(np.array(points), axis=0)
        return points[int(np.argmin((away**2).sum(axis=1)))]

    def groups(self) -> list[dict[str, Any]]:
        """Return circuits with open trouble for the list, by rank."""
        groups: list[dict[str, dict[str, Any]]] = [{} for _ in RANKS]
        rank_of: dict[str, int] = {}
        for number, outage in enumerate(self.outages):
            name = outage.circuit_id or ""
            rank = _group(outage)
            rank = rank_of.setdefault(name, rank) if name else rank
            title = f"Circuit {name}" if name else _of_several(outage)
            circuit = groups[rank].setdefault(title, {"title": title, "items": []})
            circuit["items"].append(self._item(number, outage))
        return [
            {"title": title, "circuits": list(group.values())}
            for title, group in zip(RANKS, groups, strict=True)
            if group
        ]

    def _item(self, number: int, outage: Outage) -> dict[str, Any]:
        age = nights(outage, self.as_of)
        return {
            "number": number,
            "feed": feed_letter(outage),
            "verdict": outage.shown,
            "danger": bool(outage.danger),
            "words": verdict_said(outage),
            "count": len(outage.lights),
            "first": outage.lights[0] if len(outage.lights) == 1 else "",
            "nights": age,
        }


def _rank(outage: Outage, as_of: datetime) -> tuple[int, float]:
    weight = outage.probability * len(outage.lights) * nights(outage, as_of)
    return _group(outage), -weight


def _group(outage: Outage) -> int:
    if outage.danger:
        return 0
    if outage.shown == "area_outage":
        return 1
    return 2 if is_shared(outage) else 3


def _of_several(outage: Outage) -> str:
    several = outage.over or outage.shown == "area_outage"
    return "Several circuits" if several else "No circuit on record"


def _feed(circuit: Circuit) -> str:
    return {"underground": "u", "overhead": "o"}.get(circuit.feed, "x")


def _stretch(outage: Outage, circuit: Circuit) -> list[list[Any]]:
    """Return the lines likely dark, each with the band of its probability."""
    if outage.inferred:
        band = bisect_right(BANDS, outage.probability)
        dark = set(outage.lights)
        return [[band, coded(line)] for line in inferred_lines(circuit, dark)]
    chances = dark_stretch(outage, circuit)
    found: list[list[Any]] = []
    for band in range(len(BANDS) + 1):
        kept = [
            one for one, share in chances.items() if bisect_right(BANDS, share) == band
        ]
        found += [[band, coded(line)] for line in (circuit.lines(kept) if kept else [])]
    return found


def _outline(lights: list[Light]) -> list[Point]:
    """Return an outline round an area's lights."""
    places = shapely.MultiPoint([light.point for light in lights if light.point])
    if places.is_empty:
        return []
    area = places.convex_hull.buffer(ROUND_AN_AREA_DEGREES, quad_segs=4)
    return [(float(x), float(y)) for x, y in shapely.get_coordinates(area)]


def _suspects(outage: Outage, circuit: Circuit) -> list[list[Point]]:
    if outage.inferred or source_is_likeliest(outage):
        return []
    likely = [section for section, _ in outage.sections[:SUSPECTS]]
    return [line for one in likely for line in circuit.lines([one])]


def all_lights(lights: pd.DataFrame) -> list[int]:
    """Return every light's place, coded along the order of circuits."""
    order = lights[["longitude", "latitude"]].to_numpy(float)
    order = order[np.isfinite(order).all(axis=1)]
    points = np.rint(order * PER_DEGREE).astype(np.int64)
    flat: list[int] = np.diff(points, axis=0, prepend=0).ravel().tolist()
    return flat


def road_lines(roads: gpd.GeoDataFrame) -> dict[str, Any]:
    """Return the roads as coded lines by weight, and where their names go."""
    lines: dict[int, list[list[int]]] = {1: [], 2: [], 3: []}
    names: list[list[Any]] = []
    if roads.empty:
        return {"lines": lines, "names": names}
    parts = roads.reindex(columns=["name", "class", "geometry"]).explode()
    parts = parts[shapely.get_type_id(parts.geometry.to_numpy()) == 1]
    for name, kind, shape in zip(
        parts["name"], parts["class"], parts["geometry"], strict=True
    ):
        line = coded(shapely.get_coordinates(shape.simplify(1 / PER_DEGREE)))
        lines[WEIGHTS.get(kind, 1)].append(line)
        if isinstance(name, str) and name:
            names.append([name, *_label(shape)])
    return {"lines": lines, "names": names}


def _label(shape: shapely.LineString) -> list[int]:
    """Return a road's middle and the direction of it there, coded."""
    ends = shapely.line_interpolate_point(shape, [0.45, 0.5, 0.55], normalized=True)
    before, middle, after = (coded(shapely.get_coordinates(end)) for end in ends)
    return [*middle, after[0] - before[0], after[1] - before[1]]


def counts(outages: Iterable[Outage]) -> Mapping[str, int]:
    """Return how many areas, shared faults and other troubles are open."""
    verdicts = [outage.shown for outage in outages]
    shared = sum(verdict in SHARED for verdict in verdicts)
    areas = verdicts.count("area_outage")
    return {"areas": areas, "shared": shared, "others": len(verdicts) - shared - areas}
