"""A circuit laid on the map: where each section runs and what it feeds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import pandas as pd

from lightwatch.decisions.triage.outage import SHARED, Outage

Point = tuple[float, float]
"""Longitude and latitude [degrees]."""

SECTION_COLUMNS = ("section_id", "circuit_id", "upstream_section_id")
CIRCUIT_COLUMNS = ("circuit_id", "feed", "control", "source", "longitude", "latitude")


@dataclass(frozen=True)
class Light:
    """A lighting position as the map needs it."""

    light_id: str
    pole_id: str
    point: Point | None
    circuit_id: str
    section_id: str
    technology: str
    maintained_by: str
    feed_owner: str

    @property
    def named(self) -> str:
        """The light with its pole, as a crew would look for it."""
        return (
            f"{self.light_id} (pole {self.pole_id})" if self.pole_id else self.light_id
        )


@dataclass(frozen=True)
class Circuit:
    """A circuit as a tree of sections, each ending at the lights tapped there."""

    circuit_id: str
    feed: str = ""
    control: str = ""
    source: str = ""
    source_point: Point | None = None
    upstream: dict[str, str] = field(default_factory=dict)
    """Section to the next nearer the source, '' at the source."""
    taps: dict[str, list[Light]] = field(default_factory=dict)
    """Section to the lights tapped at its far end."""
    lights: list[Light] = field(default_factory=list)
    """All its lights, whether or not their section is on record."""

    def path(self, section_id: str) -> list[str]:
        """Return the sections from this one up to the source, this one first."""
        found: dict[str, None] = {}
        while section_id in self.upstream and section_id not in found:
            found[section_id] = None
            section_id = self.upstream[section_id]
        return list(found)

    def far_end(self, section_id: str) -> Light | None:
        """Return the first light with a position at the section's far end."""
        located = (tap for tap in self.taps.get(section_id, ()) if tap.point)
        return next(located, None)

    def near_end(self, section_id: str) -> Light | None:
        """Return the nearest light upstream of the section; none: the source."""
        ends = (self.far_end(above) for above in self.path(section_id)[1:])
        return next((end for end in ends if end), None)

    def start(self, section_id: str) -> Point | None:
        """Return where the section begins, as far as that is on record."""
        light = self.near_end(section_id)
        return light.point if light else self.source_point

    def middle(self, section_id: str) -> Point | None:
        """Return the middle of the section."""
        start, end = self.start(section_id), self.far_end(section_id)
        if end is None or end.point is None:
            return start
        if start is None:
            return end.point
        return (start[0] + end.point[0]) / 2, (start[1] + end.point[1]) / 2

    def lines(self, kept: Iterable[str] | None = None) -> list[list[Point]]:
        """Return the sections as few long lines, so that a dash runs through."""
        drawn = dict.fromkeys(self.upstream if kept is None else kept)
        follows: dict[str, list[str]] = defaultdict(list)
        heads = []
        for section in filter(self.far_end, drawn):
            above = next(filter(self.far_end, self.path(section)[1:]), None)
            if above in drawn:
                follows[above].append(section)
            else:
                heads.append(section)
        return [line for line in self._runs(heads, follows) if len(line) > 1]

    def _runs(
        self, heads: list[str], follows: dict[str, list[str]]
    ) -> Iterator[list[Point]]:
        while heads:
            section = heads.pop()
            start = self.start(section)
            run = [start] if start else []
            while section:
                first, *rest = (tap.point for tap in self.taps[section] if tap.point)
                if run:
                    yield from ([run[-1], stub] for stub in rest if stub != first)
                run.append(first)
                section, *branches = follows[section] or [""]
                heads.extend(branches)
            yield run


COULD_BE = 0.4
"""Sections as likely as this to be dark are drawn."""


def dark_chances(outage: Outage, circuit: Circuit) -> dict[str, float]:
    """Return for each section how likely what hangs at its far end is dark.

    By the fault at the source, or in a section on its way to it: these exclude each
    other. Where the source was not judged, it has what the sections on the way of the
    lights reported leave of the probability of a shared fault.
    """
    likely = dict(outage.sections)
    along = {
        section: sum(likely.get(one, 0.0) for one in circuit.path(section))
        for section in circuit.upstream
    }
    reported = set(outage.reported)
    told = [
        along[section]
        for section, taps in circuit.taps.items()
        if any(tap.light_id in reported for tap in taps)
    ]
    source = outage.at_source
    if source is None:
        shared = sum(outage.probabilities.get(one, 0.0) for one in SHARED)
        source = max(0.0, shared - max(told or along.values(), default=0.0))
    return {section: min(1.0, source + share) for section, share in along.items()}


def dark_stretch(outage: Outage, circuit: Circuit) -> dict[str, float]:
    """Return the sections likely dark, each with its probability.

    Where the verdict itself is unclear, those nearly as likely as the likeliest.
    """
    chances = dark_chances(outage, circuit)
    least = min(COULD_BE, 0.8 * max(chances.values(), default=0.0))
    return {one: share for one, share in chances.items() if share >= least > 0}


def _point(longitude: float, latitude: float) -> Point | None:
    known = pd.notna(longitude) and pd.notna(latitude)
    return (float(longitude), float(latitude)) if known else None


def _texts(frame: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    wanted = frame.reindex(columns=list(names)).astype(object)
    return wanted.where(wanted.notna(), "").astype(str)


def lights_of(lights: pd.DataFrame) -> dict[str, Light]:
    """Return the rows of a frame of lights by identifier."""
    names = ["light_id", "pole_id", "circuit_id", "section_id"]
    names += ["technology", "maintained_by", "feed_owner"]
    text = _texts(lights, names)
    columns = [text[name] for name in names]
    return {
        light_id: Light(light_id, pole, _point(x, y), circuit, section, *rest)
        for x, y, light_id, pole, circuit, section, *rest in zip(
            lights["longitude"], lights["latitude"], *columns, strict=True
        )
    }


def circuits_of(
    wanted: set[str],
    circuits: pd.DataFrame,
    sections: pd.DataFrame,
    lights: Iterable[Light],
) -> dict[str, Circuit]:
    """Return the wanted circuits by identifier; what is unknown of them is blank."""
    found = {name: Circuit(name) for name in sorted(wanted)}
    rows = circuits.reindex(columns=list(CIRCUIT_COLUMNS))
    rows = rows[rows["circuit_id"].isin(wanted)]
    words = _texts(rows, CIRCUIT_COLUMNS[:4])
    for name, feed, control, source, x, y in zip(
        *(words[column] for column in CIRCUIT_COLUMNS[:4]),
        *(rows[column] for column in CIRCUIT_COLUMNS[4:]),
        strict=True,
    ):
        found[name] = Circuit(name, feed, control, source, _point(x, y))
    rows = _texts(sections, SECTION_COLUMNS)
    rows = rows[rows["circuit_id"].isin(wanted)]
    for section, name, above in zip(
        *(rows[column] for column in SECTION_COLUMNS), strict=True
    ):
        found[name].upstream[section] = above
    for light in lights:
        circuit = found.get(light.circuit_id)
        if circuit:
            circuit.lights.append(light)
        if circuit and light.section_id in circuit.upstream:
            circuit.taps.setdefault(light.section_id, []).append(light)
    return found
