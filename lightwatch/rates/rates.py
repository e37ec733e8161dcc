"""How fast things fail, by whatever a planner asks for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.errors import NotEnoughEvidence, NotUnderstood
from lightwatch.lives import Lives
from lightwatch.nights import YEAR, LocalTime
from lightwatch.nights.years import local_years
from lightwatch.rates.poisson import Rate, exact_rate, widened
from lightwatch.register import Register
from lightwatch.register.recorded import recorded
from lightwatch.store.frames import filled
from lightwatch.words import SUPPLY

BY = (
    "kind", "type", "technology", "model", "maker", "vintage", "feed", "control", "age",
    "station", "road_class", "district", "circuit",
)  # fmt: skip
"""What rates may be asked by."""

AGE_EDGES_YEARS = (0.0, 1.0, 2.0, 5.0, 10.0, 15.0, np.inf)
AGE_BANDS = ("0-1", "1-2", "2-5", "5-10", "10-15", "15+")

_OF_THE_LIGHT = {
    "technology", "feed", "control", "station", "road_class", "district", "circuit",
}  # fmt: skip


_SPLIT = (
    "light_id", "circuit_id", "kind", "start", "end", "failed", "weight", "recorded",
    "installed", "installed_last",
)  # fmt: skip


@dataclass(frozen=True)
class RateRow:
    """One line of the answer: a group, its time under watch, its failures.

    ``kind`` is the one kind of component in the group, '' where there are several.
    ``counted_years`` is the time under watch times the share of failures on record:
    the rate is the failures by it.
    """

    group: dict[str, str]
    unit: str
    unit_years: float
    failures: int
    rate: Rate | None
    kind: str = ""
    counted_years: float = np.nan


def check_by(by: Sequence[str]) -> None:
    """Check what rates are asked by.

    Raises
    ------
    NotUnderstood
        Rates are not kept by one of them, none is named, or one twice.
    """
    unknown = [name for name in by if name not in BY]
    if unknown or not by:
        raise NotUnderstood(
            f"{','.join(unknown) or 'nothing'} is not what rates are kept by "
            f"(expected any of {', '.join(BY)})"
        )
    if len(set(by)) < len(by):
        raise NotUnderstood(f"{','.join(by)} names a column twice")


def _by_span(lives: Lives, by: Sequence[str]) -> pd.DataFrame:
    """Split lives where the light that carries them changed; say what ``by`` asks."""
    register, frame = lives.register, _whole(lives)
    asked = [name for name in by if name in frame.columns]
    frame = frame[list(dict.fromkeys([*_SPLIT, *asked]))]
    of_light = frame["light_id"] != ""
    own, spans = frame[of_light].drop(columns="circuit_id"), register.spans
    life, span = _pairs(own["light_id"], spans["light_id"])
    start, end = (own[name].to_numpy(float)[life] for name in ("start", "end"))
    since = np.maximum(start, spans["since"].to_numpy(float)[span])
    until = np.minimum(end, spans["until"].to_numpy(float)[span])
    last = until == end
    kept = (since < until) | (last & (start == end))
    split = own.iloc[life[kept]].reset_index(drop=True)
    stood = spans.drop(columns=["light_id", "since", "until"])
    split[list(stood.columns)] = stood.iloc[span[kept]].reset_index(drop=True)
    split["start"], split["end"] = since[kept], until[kept]
    split["failed"] = split["failed"].to_numpy(bool) & last[kept]
    parts = [part for part in (split, frame[~of_light]) if len(part)] or [split]
    both = pd.concat(parts, ignore_index=True).reindex(columns=split.columns)
    for name in _OF_THE_LIGHT & set(by) - {"technology"}:
        both[name] = _said(register, both, name)
    return both


def _pairs(
    names: pd.Series[str], sorted_names: pd.Series[str]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the rows of every pair of like names, in the order of the first."""
    code, unique = pd.factorize(sorted_names)
    first = np.searchsorted(code, np.arange(len(unique) + 1))
    of = pd.Index(unique, dtype=object).get_indexer(pd.Index(names))
    count = np.diff(first, append=len(code))[of]
    row = np.repeat(np.arange(len(names)), count)
    within = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    return row, first[of[row]] + within


def _said(register: Register, frame: pd.DataFrame, name: str) -> pd.Series[str]:
    """Return of each life what the place or the circuit of its light says of it."""
    if name == "circuit":
        return frame["circuit_id"]
    if name == "district":
        return _districts(register, frame)
    if name == "station":
        return frame["light_id"].map(register.nearest_station)
    if name == "road_class":
        return frame["road_id"].map(register.known.road_class)
    if name == "feed":
        return register.feed_of(frame["circuit_id"], frame["light_id"])
    circuits = register.known.circuits.set_index("circuit_id")
    return frame["circuit_id"].map(circuits[name])


def _districts(register: Register, frame: pd.DataFrame) -> pd.Series[str]:
    """Return each life's district; a feed's is that of the first light on it."""
    lights = register.known.lights
    district = lights["light_id"].map(register.district_of)
    of_circuit = district.groupby(lights["circuit_id"]).first()
    own = frame["light_id"].map(register.district_of)
    return filled(filled(own, frame["circuit_id"].map(of_circuit)), "")


def _by_age(frame: pd.DataFrame) -> pd.DataFrame:
    """Split time under watch into bands of age; a date known to the year is halved."""
    middle = (frame["installed"] + frame["installed_last"]) / 2
    parts = [frame[middle.isna()].assign(age="unknown")]
    dated, born = frame[middle.notna()], middle[middle.notna()]
    edges = zip(AGE_BANDS, AGE_EDGES_YEARS, AGE_EDGES_YEARS[1:], strict=False)
    for band, low, high in edges:
        first = -np.inf if low == 0 else born + low * YEAR
        until = born + high * YEAR
        start = np.maximum(dated["start"], first)
        end = np.minimum(dated["end"], until)
        last = (dated["end"] <= until) & (dated["end"] > first)
        part = dated.assign(
            start=start, end=end, failed=dated["failed"] & last, age=band
        )
        parts.append(part[(start < end) | (part["failed"] & (start <= end))])
    return pd.concat([part for part in parts if len(part)] or parts[:1])


def _words(values: pd.Series[Any]) -> NDArray[np.object_]:
    """Return what a life is grouped by; ``unknown`` where nobody said."""
    code, unique = pd.factorize(values, use_na_sentinel=False)
    said = ["unknown" if one == "" or pd.isna(one) else str(one) for one in unique]
    words: NDArray[np.object_] = np.array(said, dtype=object)[code]
    return words


def _vintage(frame: pd.DataFrame, clock: LocalTime) -> pd.Series[str]:
    first = local_years(frame["installed"], clock)
    last = local_years(frame["installed_last"], clock)
    known = first.notna() & (first == last)
    return first.where(known, 0).astype(int).astype(str).where(known, "unknown")


def _whole(lives: Lives) -> pd.DataFrame:
    """Return the lives with ``recorded``, which is 1 where nothing is said of it."""
    frame = lives.frame
    return frame if "recorded" in frame else frame.assign(recorded=1.0)


def _row(
    group: dict[str, str], unit: str, years: tuple[float, float], failures: int,
    kind: str, log_sd: float,
) -> RateRow:  # fmt: skip
    """Return a row; ``years`` under watch, and those that count.

    Where no repair of a kind says at which light, its rate is not known; among other
    kinds its failures are left out.
    """
    known = np.isfinite(log_sd)
    try:
        if kind and not known:
            raise NotEnoughEvidence("no repair says at which light it was")
        alone = exact_rate(failures, years[1])
        rate: Rate | None = widened(alone, log_sd) if known else alone
    except NotEnoughEvidence:
        rate = None
    return RateRow(group, unit, years[0], failures, rate, kind, years[1])


def _sums(
    frame: pd.DataFrame, names: list[str], register: Register
) -> tuple[pd.DataFrame, pd.Index[str]]:
    """Return time and failures by group, and the kinds that ``one`` and ``other`` say.

    ``counted`` is the time that counts, ``log_sd`` how well its share is known.
    """
    kind, kinds = pd.factorize(frame["kind"])
    years = (frame["end"] - frame["start"]) / YEAR * frame["weight"]
    unsure = {name: one.log_sd for name, one in recorded(register).of.items()}
    frame = pd.DataFrame(
        {
            **{name: _words(frame[name]) for name in names},
            "unit": np.where(np.isin(kinds, list(SUPPLY)), "km-year", "unit-year")[
                kind
            ],
            "unit_years": years / frame["recorded"],
            "counted": years,
            "failed": frame["failed"],
            "one": kind,
            "other": kind,
            "log_sd": frame["kind"].map(unsure).fillna(0.0).astype(float),
        }
    )
    groups = frame.groupby([*names, "unit"], sort=True)
    sums = {"unit_years": "sum", "counted": "sum", "failed": "sum", "one": "min",
            "other": "max", "log_sd": "max"}  # fmt: skip
    return groups.agg(sums).reset_index(), kinds


def rates(lives: Lives, by: Sequence[str] = ("kind", "type")) -> list[RateRow]:
    """Return failure rates with exact limits, one row a group, zeros included.

    Where only a share of the failures of a kind is on record, rates are raised by it,
    and the limits hold how well it is known, too.

    Parameters
    ----------
    lives
        Life data.
    by
        Any of ``BY``; the order is that of the groups.

    Raises
    ------
    NotUnderstood
        It asks for something that rates are not kept by.
    """
    check_by(by)
    frame = _whole(lives)
    if _OF_THE_LIGHT & set(by):
        frame = _by_span(lives, by)
    if "age" in by:
        frame = _by_age(frame)
    if "vintage" in by:
        frame = frame.assign(vintage=_vintage(frame, lives.register.known.clock))
    names = list(by)
    table, kinds = _sums(frame, names, lives.register)
    if "age" in by:
        order = {band: i for i, band in enumerate((*AGE_BANDS, "unknown"))}
        table = table.sort_values(
            names, key=lambda one: one.map(order) if one.name == "age" else one
        )
    return [
        _row(
            {name: str(row[name]) for name in names},
            str(row["unit"]),
            (float(row["unit_years"]), float(row["counted"])),
            int(row["failed"]),
            str(kinds[row["one"]]) if row["one"] == row["other"] else "",
            float(row["log_sd"]),
        )
        for row in table.to_dict("records")
    ]
