"""Rows of several offices joined: by a light's number, a pole's, a place, a report.

What a row says is compared with the register in that order. A place is joined to the
nearest light within a limit, by default twice the usual distance between lights; a
report keeps its place and is only counted. How each row was joined is counted, and a
sample of rows is drawn to be looked at by eye.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lightwatch.observations.source import Source
from lightwatch.observations.tables import Rows, harmless

JOINED = ("components", "reports", "repairs", "sightings")
"""Files whose rows name a light."""

SAMPLE = 30
"""Rows of each file drawn for a check by eye."""

_LEAST_M, _MOST_M = 20.0, 200.0
"""Between these the default limit lies [m]; common practice, no source."""

CLEAR = 2.0
"""A place is clearly of one light if the next pole is this many times as far."""

CLOSE_CALL = "place and time, a close call"
"""How a repair was joined to a report, if another was nearly as likely."""

_EARTH_RADIUS_M = 6_371_008.8

Floats = NDArray[np.float64]

HEADER = ("file", "line", "key", "light named", "joined by", "light", "metres",
          "metres to the next pole",
          "report")  # fmt: skip


@dataclass(frozen=True)
class Found:
    """The light to which a row is joined, how, and how far it lies [m]."""

    light: str = ""
    how: str = "not joined"
    metres: float | None = None
    next_m: float | None = None


def _metres(lon: Floats, lat: Floats, middle: float) -> Floats:
    """Return places in a plane about the register [m]; good to 1 % within 50 km."""
    east = np.radians(lon) * np.cos(np.radians(middle)) * _EARTH_RADIUS_M
    return np.column_stack([east, np.radians(lat) * _EARTH_RADIUS_M])


def floats(values: Sequence[str]) -> Floats:
    """Return texts as numbers; not a number where one is none."""

    def read(text: str) -> float:
        try:
            return float(text)
        except ValueError:
            return float("nan")

    return np.array([read(text) for text in values], dtype=float)


@dataclass(frozen=True)
class Lights:
    """The lights of the register by whatever names or places them."""

    ids: frozenset[str]
    tags: Mapping[str, tuple[str, ...]]
    """Pole number or other tag to the lights that carry it."""
    placed: tuple[str, ...]
    """A light of each place."""
    tree: cKDTree | None = field(repr=False)
    middle: float
    limit_m: float
    at: Mapping[str, tuple[float, float]] = field(default_factory=dict, repr=False)
    """Where each light stands in the plane [m]."""

    @classmethod
    def of(cls, rows: Iterable[Rows], tags: Sequence[str]) -> Lights:
        """Read the register.

        Parameters
        ----------
        rows
            Its rows, as ours.
        tags
            Further columns of theirs whose values name lights.
        """
        ids: list[str] = []
        by_tag: dict[str, dict[str, None]] = {}
        lon: list[float] = []
        lat: list[float] = []
        named = ("pole_id", *tags, *(f"{tag} (theirs)" for tag in tags))
        for part in rows:
            mine = part.columns["light_id"]
            ids += mine
            lon += floats(part.columns["longitude"]).tolist()
            lat += floats(part.columns["latitude"]).tolist()
            for column in named:
                for tag, light in zip(part.columns.get(column, ()), mine, strict=False):
                    if tag and light:
                        by_tag.setdefault(tag, {})[light] = None
        return cls._placed(ids, by_tag, np.array(lon), np.array(lat))

    @classmethod
    def _placed(
        cls,
        ids: list[str],
        by_tag: Mapping[str, Iterable[str]],
        lon: Floats,
        lat: Floats,
    ) -> Lights:
        good = np.isfinite(lon) & np.isfinite(lat)
        middle = float(np.median(lat[good])) if good.any() else 0.0
        at = _metres(lon[good], lat[good], middle)
        names = [light for light, there in zip(ids, good, strict=True) if there]
        whole, first = np.unique(np.round(at, 1), axis=0, return_index=True)
        tree = cKDTree(whole) if len(whole) else None
        limit = _LEAST_M
        if tree is not None and len(whole) > 1:
            spacing = float(np.median(tree.query(whole, k=2)[0][:, 1]))
            limit = float(np.clip(2 * spacing, _LEAST_M, _MOST_M))
        return cls(
            frozenset(ids),
            {tag: tuple(lights) for tag, lights in by_tag.items()},
            tuple(names[i] for i in first),
            tree,
            middle,
            limit,
            dict(zip(names, map(tuple, at.tolist()), strict=True)),
        )

    def plane(self, lon: Floats, lat: Floats) -> Floats:
        """Return places in the plane of the lights [m]."""
        return _metres(lon, lat, self.middle)

    def place(self, light: str) -> Floats:
        """Return where a light stands in the plane [m]; not a number if not known."""
        return np.array(self.at.get(light, (np.nan, np.nan)))

    def named(self, text: str) -> Found:
        """Return the light that a number or tag names."""
        if text in self.ids:
            return Found(text, "light number")
        lights = self.tags.get(text, ())
        first = min(lights, key=len, default="")
        lantern = re.compile(rf"{re.escape(first)}(-\d+)?")
        if lights and not all(map(lantern.fullmatch, lights)):
            return Found(how="pole of several lights, not guessed")
        return Found(first, "pole number or tag") if first else Found()

    def near(self, lon: Floats, lat: Floats, limit_m: float) -> list[Found]:
        """Return the nearest light of each place, if one is within the limit [m]."""
        found = [Found()] * len(lon)
        good = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
        if self.tree is None or not len(good):
            return found
        at = _metres(lon[good], lat[good], self.middle)
        far, which = self.tree.query(at, k=2)
        for i, (first, second), k in zip(good, far, which[:, 0], strict=True):
            clear = second >= CLEAR * max(first, 1.0)
            how = "place" if clear else "place, a close call"
            light = self.placed[k] if first <= limit_m else ""
            how = how if light else "too far from any light"
            after = float(second) if np.isfinite(second) else None
            found[i] = Found(light, how, float(first), after)
        return found


@dataclass
class Joins:
    """How many rows of each file were joined how, and a sample of them."""

    counts: dict[str, Counter[str]] = field(default_factory=dict)
    limits: dict[str, float] = field(default_factory=dict)
    left_out: Counter[str] = field(default_factory=Counter)
    sample: dict[str, list[tuple[str, ...]]] = field(default_factory=dict)
    _random: Random = field(default_factory=lambda: Random(1), repr=False)

    def begin(self, resource: str) -> None:
        """Start counting the rows of a file anew."""
        self.counts[resource] = Counter()
        self.sample[resource] = []
        self.left_out[resource] = 0

    def add(self, resource: str, row: tuple[str, ...], how: str) -> None:
        """Count a row; keep it with an equal chance for each in the sample."""
        counted, kept = self.counts[resource], self.sample[resource]
        counted[how] += 1
        at = counted.total() - 1
        if len(kept) < SAMPLE:
            kept.append(row)
        elif (at := self._random.randrange(at + 1)) < SAMPLE:
            kept[at] = row

    def told(self) -> list[str]:
        """Say how rows were joined, a line for each file."""
        lines = [
            f"{name}: {rows:,} rows left out, as the mapping says"
            for name, rows in self.left_out.items()
            if rows
        ]
        for name, counted in self.counts.items():
            if not counted:
                continue
            if name not in JOINED:
                close = counted[CLOSE_CALL]
                lines.append(f"{name}: {counted.total():,} joined to a report by place "
                             f"and time, of these {close:,} close calls")  # fmt: skip
                continue
            limit = self.limits.get(name)
            within = f" (limit {limit:.0f} m)" if limit else ""
            ways = ", ".join(f"{n:,} by {how}" if how not in _NOT else f"{n:,} {how}"
                             for how, n in counted.most_common())  # fmt: skip
            lines.append(f"{name} joined to lights: {ways}{within}")
        return lines

    def write(self, path: Path) -> bool:
        """Write the sample, if there is one."""
        rows: list[tuple[str, ...]] = []
        for kept in self.sample.values():
            rows += kept
        rows.sort(key=lambda row: (row[0], len(row), int(row[1])))
        if rows:
            with path.open("w", encoding="utf-8", newline="") as file:
                writer = csv.writer(file, lineterminator="\n")
                writer.writerow(HEADER)
                blank = ("",) * len(HEADER)
                whole = ((*row, *blank)[: len(HEADER)] for row in rows)
                writer.writerows(map(harmless, row) for row in whole)
        return bool(rows)


_NOT = (
    "not joined",
    "pole of several lights, not guessed",
    "too far from any light",
    "names no light",
)


def joined_to_lights(
    rows: Rows, source: Source, lights: Lights, joins: Joins, keys: Sequence[str]
) -> Rows:
    """Give rows the number of the light that they mean, as far as they say.

    Parameters
    ----------
    rows
        Ours; ``light_id`` is put in place, what the row said is kept beside it.
    source
        Where they are from.
    lights
        The register.
    joins
        Where to count.
    keys
        The rows' keys, for the sample.
    """
    name, blank = source.resource, [""] * len(rows.lines)
    said = rows.columns.get("light_id", blank)
    names = {text: lights.named(text) for text in set(said)}
    found = [names[text] for text in said]
    limit = source.within_m or lights.limit_m
    lon, lat = (floats(rows.columns.get(c, blank)) for c in ("longitude", "latitude"))
    elsewhere = _names_another(rows)
    if np.isfinite(lon).any():
        joins.limits[name] = limit
        near = lights.near(lon, lat, limit)
        found = [
            one if one.light or i in elsewhere else by_place
            for i, (one, by_place) in enumerate(zip(found, near, strict=True))
        ]
    _put(rows, said, found, name)
    for i, one in enumerate(found):
        how = one.how
        if how == "not joined" and (not said[i] or i in elsewhere):
            how = "names no light" if i not in elsewhere else "circuit or section"
        metres = ["" if m is None else f"{m:.0f}" for m in (one.metres, one.next_m)]
        line = str(rows.lines[i])
        joins.add(name, (source.file, line, keys[i], said[i], how, one.light, *metres),
                  how)  # fmt: skip
    return rows


def _names_another(rows: Rows) -> set[int]:
    """Return the rows that are of a circuit or a section."""
    blank = [""] * len(rows.lines)
    both = (rows.columns.get(name, blank) for name in ("circuit_id", "section_id"))
    return {i for i, pair in enumerate(zip(*both, strict=True)) if any(pair)}


def _put(rows: Rows, said: list[str], found: list[Found], name: str) -> None:
    """Write the lights in; a report's place stays what its caller said."""
    by_place = name != "reports"
    lights = [
        one.light if one.light and (by_place or one.metres is None) else text
        for one, text in zip(found, said, strict=True)
    ]
    changed = [text if text != light else "" for text, light in
               zip(said, lights, strict=True)]  # fmt: skip
    if lights == said:
        return
    rows.columns["light_id"] = lights
    theirs = rows.theirs.get("light_id")
    as_said = f"{theirs.name if theirs else 'light'} (theirs)"
    if any(changed):
        rows.columns.setdefault(as_said, changed)
