"""Bad circuits: faults against those expected, and what two more years will bring.

A section fails as its construction does at the age of its ground, more where the place
is wet, and as much more or less than that as its circuit has shown: the circuit's own
factor, drawn from a gamma law common to all. Faults of the supply point come at one
rate, times the same factor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.repeats.excess import Excess, excesses
from lightwatch.decisions.triage.habits import source_faults
from lightwatch.errors import NotEnoughEvidence
from lightwatch.lives import Lives
from lightwatch.nights import YEAR
from lightwatch.rates.feed_history import wet_circuits
from lightwatch.rates.hazards import Ageing, aged, ageing, expected
from lightwatch.rates.shrinkage import shrink
from lightwatch.words import SUPPLY

Floats = NDArray[np.float64]

YEARS_AHEAD = 2.0
"""So far ahead faults are expected [years]."""

_OF_SECTION = ("section_id", "type", "weight", "leave", "failed", "expected", "ahead",
               "rebuilt", "own", "wet")  # fmt: skip

_LIKE = 10.0
"""The factor of wet places is drawn to 1 as by so many faults; no source."""


@dataclass(frozen=True)
class SectionAhead:
    """One section and the faults expected of it in the next two years.

    ``rebuilt`` is what they would be with new cable of the best construction on record;
    ``age_years`` is None where nobody knows.
    """

    section_id: str
    kind: str
    length_m: float
    age_years: float | None
    faults: int
    expected: float
    next_2y: float
    rebuilt: float


@dataclass(frozen=True)
class BadCircuit:
    """One circuit: its faults against those expected, and those to come.

    Parameters
    ----------
    circuit_id, feed
        Which, and how it is fed.
    excess
        Faults of its cable, line and supply point, against those expected.
    wet
        It lies at a station with more wet days than most.
    supply_faults
        Of the faults, those of the supply point.
    next_2y, low, high
        Faults expected in the next two years, 95 % limits of that mean.
    rebuilt_2y
        The same, all sections laid anew.
    sections
        Worst first.
    """

    circuit_id: str
    feed: str
    excess: Excess
    wet: bool
    supply_faults: int
    next_2y: float
    low: float
    high: float
    rebuilt_2y: float
    sections: tuple[SectionAhead, ...]

    @property
    def length_m(self) -> float:
        """Length of its sections [m]."""
        return sum(one.length_m for one in self.sections)


def _supply_faults(lives: Lives) -> pd.Series[int]:
    """Count the repairs of whole circuits: supply point, main fuse."""
    return source_faults(lives.register.known.repairs)["circuit_id"].value_counts()


def _wetness(frame: pd.DataFrame, wet: pd.Series[bool]) -> Floats:
    """Return the factor of each section's place, by kind of section."""
    by = frame.assign(wet=wet).groupby(["kind", "wet"])[["failed", "expected"]]
    ratio = (by.transform("sum") + _LIKE).to_numpy(float)
    return np.asarray(ratio[:, 0] / ratio[:, 1])


def _best(laws: dict[tuple[str, str], Ageing]) -> dict[str, Ageing]:
    """Return for cable and for line the construction with fewest faults when new."""
    start, end = np.zeros(1), np.full(1, YEARS_AHEAD)
    found: dict[str, Ageing] = {}
    for (kind, _), law in sorted(laws.items()):
        if kind in SUPPLY and law.shape is not None:
            best = found.get(kind)
            if best is None or law.between(start, end) < best.between(start, end):
                found[kind] = law
    return found


def _ahead(frame: pd.DataFrame, laws: dict[tuple[str, str], Ageing]) -> pd.DataFrame:
    """Return faults per section in the next years at its age, and laid anew."""
    best = _best(laws)
    parts = []
    for (kind, type_), some in frame.groupby(["kind", "type"], sort=True):
        law = laws[str(kind), str(type_)]
        age = some["leave"].to_numpy(float)
        dated = np.isfinite(age)
        now = np.where(dated, age, 0.0)
        by_age = law.between(now, now + YEARS_AHEAD)
        ahead = np.where(dated, by_age, law.flat_per_year * YEARS_AHEAD)
        new = best.get(str(kind), law).between(np.zeros(1), np.full(1, YEARS_AHEAD))[0]
        km = some["weight"].to_numpy(float)
        rebuilt = np.minimum(new * km, ahead * km)
        parts.append(some.assign(ahead=ahead * km, rebuilt=rebuilt))
    return pd.concat(parts)


def _own_share(sections: pd.DataFrame) -> Floats:
    """Return what each section's own faults make of its circuit's factor."""
    try:
        found = shrink(sections["failed"], sections["fair"], law_known=True)
    except NotEnoughEvidence:
        return np.ones(len(sections))
    return found.rate


def _sections(lives: Lives) -> pd.DataFrame:
    """Return one row a section: faults, expected, next two years."""
    frame = aged(lives).assign(expected=expected(lives))
    feeds = frame["kind"].isin(list(SUPPLY))
    frame = frame[feeds]
    if frame.empty:
        return pd.DataFrame({one: np.zeros(0) for one in (*_OF_SECTION, "circuit_id")})
    wet = {name for name, is_wet in wet_circuits(lives).items() if is_wet}
    frame = frame.assign(wet=frame["circuit_id"].isin(wet))
    factor = _wetness(frame, frame["wet"])
    frame = frame.assign(expected=frame["expected"] * factor, factor=factor)
    sums = frame.groupby("section_id")[["failed", "expected"]].sum()
    register = lives.register
    now = frame[frame["end"] >= register.watched_until].set_index("section_id")
    since = (register.as_of - register.watched_until) / YEAR
    now = now.assign(leave=now["leave"] + since)
    now = _ahead(now, ageing(lives))
    now = now.assign(
        ahead=now["ahead"] * now["factor"], rebuilt=now["rebuilt"] * now["factor"]
    )
    return now.drop(columns=["failed", "expected"]).join(sums).reset_index()


def _of_circuit(
    name: str,
    excess: Excess,
    some: dict[str, NDArray[Any]],
    supply: float,
    feed: str,
    faults: int,
) -> BadCircuit:
    """Put one circuit together; ``supply`` is its faults to come at the usual rate."""
    total = float(some["ahead"].sum())
    usual = total * excess.ratio
    share = some["ahead"] * some["own"]
    share = share * usual / share.sum() if share.sum() else share
    rebuilt = np.minimum(some["rebuilt"], share)
    order = np.lexsort((some["section_id"].astype(str), -share))
    sections = [
        SectionAhead(
            str(some["section_id"][i]),
            str(some["type"][i]),
            float(some["weight"][i] * 1000),
            float(some["leave"][i]) if np.isfinite(some["leave"][i]) else None,
            int(some["failed"][i]),
            float(some["expected"][i]),
            float(share[i]),
            float(rebuilt[i]),
        )
        for i in order
    ]
    return BadCircuit(
        name,
        feed,
        excess,
        bool(some["wet"].any()),
        faults,
        usual + supply * excess.ratio,
        (total + supply) * excess.low,
        (total + supply) * excess.high,
        float(rebuilt.sum()) + supply * excess.ratio,
        tuple(sections),
    )


def bad_circuits(lives: Lives) -> list[BadCircuit]:
    """Return every circuit of ours, most faults to come first.

    Without sections or circuits there is none.
    """
    known = lives.register.known
    circuits = lives.register.circuits.set_index("circuit_id")
    ours = circuits[circuits["owner"] == ""]
    sections = _sections(lives)
    years = max((lives.register.watched_until - known.opened) / YEAR, 0.0)
    supply = _supply_faults(lives).reindex(ours.index, fill_value=0)
    rate = float(supply.sum()) / max(len(ours) * years, 1e-9)
    sums = pd.DataFrame({"failures": supply, "expected": rate * years})
    if len(sections):
        by = sections.groupby("circuit_id")[["failed", "expected"]].sum()
        by = by.rename(columns={"failed": "failures"})
        sums = sums.add(by, fill_value=0.0)
    found = {one.name: one for one in excesses(sums)}
    if len(sections):
        ratio = sections["circuit_id"].map({k: one.ratio for k, one in found.items()})
        fair = sections["expected"] * ratio.fillna(1.0)
        sections = sections.assign(own=_own_share(sections.assign(fair=fair)))
    of = sections.groupby("circuit_id").indices if len(sections) else {}
    columns = {one: sections[one].to_numpy() for one in sections.columns}
    none = np.zeros(0, dtype=np.int64)

    def rows(name: str) -> dict[str, NDArray[Any]]:
        at = of.get(name, none)
        return {one: columns[one][at] for one in _OF_SECTION}

    every = [
        _of_circuit(
            name,
            excess,
            rows(name),
            rate * YEARS_AHEAD,
            str(circuits["feed"].get(name, "")),
            int(supply.get(name, 0)),
        )
        for name, excess in found.items()
    ]
    return sorted(every, key=lambda one: (-one.next_2y, one.circuit_id))
