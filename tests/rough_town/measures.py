"""Figures of a study of rough towns, each with how many cases it stands on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tests.rough_town.asking import Asked, moments
from tests.rough_town.judging import (
    GROUP,
    SUPPLY,
    contradictions,
    judged,
    still_listed,
)

TOLD = 0.5
"""An area that holds so many of a storm's reported lights tells of it."""

SETTLED_DAYS = 60
"""A wrong repair counts when it is so old."""


@dataclass
class Study:
    """All that was asked of one version of a town, over its seeds."""

    circuits: list[pd.DataFrame] = field(default_factory=list)
    alarms: list[pd.DataFrame] = field(default_factory=list)
    cabinets: list[pd.DataFrame] = field(default_factory=list)
    faults: list[pd.DataFrame] = field(default_factory=list)
    storms: list[pd.DataFrame] = field(default_factory=list)
    listed: list[tuple[int, ...]] = field(default_factory=list)
    rates: list[pd.DataFrame] = field(default_factory=list)
    repeats: list[tuple[int, ...]] = field(default_factory=list)
    doubts: list[tuple[int, ...]] = field(default_factory=list)
    seconds: list[tuple[str, float]] = field(default_factory=list)
    near_storms: int = 0
    """Moments during a storm or within ten days after it."""


def study(asked: Asked, seed: int, into: Study, blind: int, storms: int) -> None:
    """Ask everything of one town, and add what was found."""
    truth = asked.town.truth
    times = moments(truth, seed, blind, storms)
    for day, occasion, storm in times.itertuples(index=False):
        entries = asked.outages(day)
        found = judged(truth, day, entries)
        marks = {"seed": seed, "day": day, "occasion": occasion}
        for name in ("circuits", "alarms", "cabinets", "faults", "storms"):
            getattr(into, name).append(getattr(found, name).assign(**marks))
        into.near_storms += occasion in ("during", "after 3")
        if occasion == "after 20":
            into.listed.append(still_listed(truth, storm, day, entries))
    _rates(asked, into, seed)
    _repeats(asked, into)
    _doubts(asked, into)
    into.seconds += asked.seconds


def _rates(asked: Asked, into: Study, seed: int) -> None:
    true = asked.town.truth.hazards
    true = true[true["kind"] != "supply"]
    said = asked.rates().merge(true, on=["kind", "type"], suffixes=("", "_true"))
    into.rates.append(said.assign(seed=seed))


def _repeats(asked: Asked, into: Study) -> None:
    truth = asked.town.truth
    wrong = truth.wrong_repairs
    old = wrong[wrong["back"] < truth.days - SETTLED_DAYS]
    named = set(asked.unheld())
    right = named & set(wrong["repair_id"])
    found = right & set(old["repair_id"])
    into.repeats.append((len(found), len(old), len(right), len(named)))


def _doubts(asked: Asked, into: Study) -> None:
    """Ask which circuits are doubted, at the end; right: the true circuit is named."""
    truth = asked.town.truth
    wrong = truth.recorded_circuit != truth.circuit
    wrong &= truth.recorded_circuit >= 0
    named = {int(one[1:]): int(c[1:]) for one, c in asked.doubted().items()}
    often = contradictions(asked.town)
    often = set(often.index[often >= 2])
    right = {k for k, c in named.items() if wrong[k] and truth.circuit[k] == c}
    into.doubts.append(
        (len(right & often), len(often), len(right), len(named), int(wrong.sum()))
    )


def _all(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the rows of all; an empty frame says nothing of its columns' types."""
    return pd.concat([one for one in frames if len(one)] or frames[:1])


def _ratio(hits: float, of: float) -> str:
    return f"{hits / of:.2f} of {of:.0f}" if of else "-"


def _right(column: str) -> Callable[[Study], str]:
    def found(one: Study) -> str:
        rows = _all(one.alarms)
        return _ratio(rows[column].sum(), len(rows))

    return found


def _cabinets(one: Study) -> str:
    rows = _all(one.cabinets)
    return _ratio(rows["right"].sum(), len(rows))


def _recall(
    kinds: tuple[str, ...], known: int = 2, how: str = "found"
) -> Callable[[Study], str]:
    def found(one: Study) -> str:
        rows = _all(one.faults)
        rows = rows[rows["kind"].isin(kinds) & (rows["known"] >= known)]
        return _ratio(rows[how].sum(), len(rows))

    return found


def _brier(one: Study) -> str:
    rows = _all(one.circuits)
    base = rows["positive"].mean()
    score = ((rows["chance"] - rows["positive"]) ** 2).mean()
    return f"{score / (base * (1 - base)):.2f} of {len(rows)}" if base else "-"


def _sums(low: int, high: int) -> Callable[[Study], str]:
    def found(one: Study) -> str:
        rows = _all(one.circuits)
        rows = rows[rows["reported"].between(low, high)]
        return f"{rows['chance'].sum():.1f}/{rows['positive'].sum()} of {len(rows)}"

    return found


def _section(one: Study) -> str:
    rows = _all(one.faults)
    rows = rows[rows["found"] & (rows["section"] >= 0) & rows["on_record"]]
    return _ratio((rows["rank"] < 3).sum(), len(rows))


def _area(one: Study) -> str:
    rows = _all(one.storms)
    return _ratio((rows["share"] >= TOLD).sum(), len(rows))


def _false_near_storms(one: Study) -> str:
    rows = _all(one.alarms)
    rows = rows[rows["storm"] & ~rows["right"] & (rows["occasion"] != "blind")]
    return f"{len(rows)} in {one.near_storms}" if one.near_storms else "-"


def _listed(which: int) -> Callable[[Study], str]:
    def found(one: Study) -> str:
        rows = np.array(one.listed).reshape(-1, 3)
        return _ratio(rows[:, which].sum(), rows[:, 0].sum())

    return found


def _inside(one: Study) -> str:
    rows = _all(one.rates)
    held = rows["rate_per_1000_true"].between(rows["low"], rows["high"])
    return f"{held.sum()} of {len(rows)}"


def _rate_ratio(one: Study) -> str:
    rows = _all(one.rates)
    ratio = (rows["rate_per_1000"] / rows["rate_per_1000_true"]).dropna()
    return f"{ratio.min():.2f} {ratio.median():.2f} {ratio.max():.2f}"


def _wrong(hit: int, of: int) -> Callable[[Study], str]:
    def found(one: Study) -> str:
        rows = np.array(one.repeats)
        return _ratio(rows[:, hit].sum(), rows[:, of].sum())

    return found


def _doubted(hit: int, of: int) -> Callable[[Study], str]:
    def found(one: Study) -> str:
        rows = np.array(one.doubts).reshape(-1, 5)
        return _ratio(rows[:, hit].sum(), rows[:, of].sum())

    return found


def _seconds(what: str) -> Callable[[Study], str]:
    def found(one: Study) -> str:
        took = [seconds for name, seconds in one.seconds if name == what]
        return f"{np.mean(took):.1f} of {len(took)}"

    return found


MEASURES: dict[str, Callable[[Study], str]] = {
    "supply alarms that are right": _right("right"),
    "  or a group photocontrol": _right("shared"),
    "  or mended, not yet recorded": _right("on_record"),
    "recall, 2 lights known out": _recall(SUPPLY),
    "recall, 4 lights known out": _recall(SUPPLY, 4),
    "  2, or told as at the cabinet": _recall(SUPPLY, how="cabinet"),
    "recall, group photocontrols": _recall(GROUP),
    "  or told as at the cabinet": _recall(GROUP, how="cabinet"),
    "told as at the cabinet, and right": _cabinets,
    "Brier / base rate's": _brier,
    "sum of P / faults": _sums(1, 10_000),
    "  1 light reported": _sums(1, 1),
    "  2 lights": _sums(2, 2),
    "  3 lights": _sums(3, 3),
    "  4 lights and more": _sums(4, 10_000),
    "section among first three": _section,
    "storms told as one area": _area,
    "false alarms near storms": _false_near_storms,
    "storm lights listed, 20 d": _listed(1),
    "  and believed": _listed(2),
    "true rates in limits": _inside,
    "rate / truth: least, median, most": _rate_ratio,
    "wrong repairs named": _wrong(0, 1),
    "named repairs that are wrong": _wrong(2, 3),
    "wrong circuits named": _doubted(2, 4),
    "  contradicted twice": _doubted(0, 1),
    "named circuits that are wrong": _doubted(2, 3),
    "seconds an outages": _seconds("outages"),
    "seconds a rates": _seconds("rates"),
    "seconds a repeats": _seconds("repeats"),
}
