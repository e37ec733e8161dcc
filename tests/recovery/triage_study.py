"""Does triage tell feed faults from lone lights, and find the section? On known cities.

Positive is a circuit on which an open fault of a section, the supply, the main fuse or
the group photocontrol keeps two lights or more dark; detectable, one of which two such
lights are known to be out. A circuit whose fault was mended, but no record says so yet,
is ``off_record`` and left out: no judge of records can know. A fault is scored by
section if it is not of the whole circuit: rank 1 is the likeliest of all sections and
the source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from demo_city import Parameters
from lightwatch.decisions.triage import CircuitJudged
from lightwatch.decisions.triage.next_test import SOURCE, after, best_check
from tests.recovery.triage_baselines import flags
from tests.recovery.triage_mornings import Morning, mornings, parameters_for

LIKELY = 0.5
ALIKE = 0.8
MORNINGS = 8


@dataclass(frozen=True)
class Study:
    """What came of judging some cities.

    Parameters
    ----------
    circuits
        One row per circuit, city and morning: ``lights``, ``known`` out, ``judged``,
        ``chance`` of a shared fault, ``positive``, ``detectable``, ``off_record``,
        ``visited`` by a crew that found the fault and left it; a flag for each
        baseline, ``excess``; lights by whether they are dark and said to be:
        ``said``, ``true``, ``both``, and of those known out; ``alike``: Jaccard of the
        two sets.
    faults
        One row per detectable fault of part of a circuit: ``flagged``, ``sections``
        on the circuit, ``rank``, ``rank_same`` lamp set, ``rank_alike`` (Jaccard at
        least .8), ``top`` probability, ``tests`` to one section, ``tests_sure`` to one
        at 95 %, and whether that is ``right``.
    seconds
        What each city and morning took [s].
    """

    circuits: pd.DataFrame
    faults: pd.DataFrame
    seconds: pd.Series[float]

    @classmethod
    def joined(cls, parts: Iterable[Study]) -> Study:
        """Put cities together."""
        parts = list(parts)
        return cls(
            pd.concat([part.circuits for part in parts], ignore_index=True),
            pd.concat([part.faults for part in parts], ignore_index=True),
            pd.concat([part.seconds for part in parts], ignore_index=True),
        )


def jaccard(one: frozenset[str] | set[str], other: frozenset[str] | set[str]) -> float:
    """Return how much two sets share, 0 to 1."""
    return len(one & other) / len(one | other) if one or other else 1.0


def _light_counts(
    judged: CircuitJudged, dark: set[str], alone: set[str], known: set[str]
) -> dict[str, Any]:
    """Compare lights said to be dark by a shared fault with those that are.

    Lights that a section of their own keeps dark count neither way.
    """
    ids = np.array(judged.light_ids, dtype=object)
    said = set(ids[judged.dark > LIKELY]) - alone
    return {
        "said": len(said),
        "true": len(dark),
        "both": len(said & dark),
        "said_known": len(said & known),
        "true_known": len(dark & known),
        "both_known": len(said & dark & known),
        "alike": jaccard(said, dark),
    }


def _candidates(judged: CircuitJudged) -> dict[str, float]:
    return {SOURCE: judged.group + judged.supply, **judged.sections}


def tests_to_name(
    chances: Mapping[str, float],
    ways: Mapping[str, tuple[str, ...]],
    fault: str,
    sure: float,
) -> tuple[int, str]:
    """Test where it tells most, until one section is left or as likely as ``sure``.

    Returns
    -------
    tuple
        Tests made, and the section named.
    """
    left, made = dict(chances), 0
    way = ways.get(fault, (fault,))
    while True:
        total, top = sum(left.values()), max(left, key=lambda name: left[name])
        check = best_check(left, ways)
        if check is None or left[top] >= sure * total:
            return made, top
        dead = check.place == SOURCE and fault == SOURCE
        dead |= fault in ways.get(check.place, (check.place,))
        left, made = after(left, ways, check.place, bool(dead)), made + 1
        assert way, "a section lies on its own way"


def _of_fault(
    morning: Morning, judged: CircuitJudged, fault: str, dark: frozenset[str]
) -> dict[str, Any]:
    chances, beyond = _candidates(judged), morning.beyond
    every = frozenset(judged.light_ids)
    lamps = {
        name: every if name == SOURCE else beyond.get(name, frozenset())
        for name in chances
    }
    order = sorted(chances, key=lambda name: (-chances[name], name))
    like = [jaccard(lamps[name], beyond.get(fault, dark)) for name in order]
    ways = morning.register.feeds
    possible = {name: p for name, p in chances.items() if p > 0 or name == fault}
    tests, _ = tests_to_name(possible, ways, fault, 1.0)
    sure, named = tests_to_name(possible, ways, fault, 0.95)
    return {
        "flagged": judged.shared > LIKELY,
        "sections": len(judged.sections),
        "rank": order.index(fault) + 1 if fault in order else np.inf,
        "rank_same": _first(like, 1.0),
        "rank_alike": _first(like, ALIKE),
        "top": chances[order[0]],
        "tests": tests,
        "tests_sure": sure,
        "right": named == fault,
    }


def _first(values: list[float], least: float) -> float:
    """Return the rank of the first that is as great."""
    return next((i + 1.0 for i, v in enumerate(values) if v >= least), np.inf)


def _true_dark(
    faults: pd.DataFrame,
) -> tuple[dict[str, set[str]], dict[str, set[str]], pd.DataFrame]:
    """Return lights dark by shared faults and by lone ones, and the shared faults."""
    lights = faults["dark"].map(len)
    shared, alone = faults[lights >= 2], faults[lights == 1]

    def union(some: pd.DataFrame) -> dict[str, set[str]]:
        found: dict[str, set[str]] = {}
        for circuit, dark in zip(some["circuit_id"], some["dark"], strict=True):
            found.setdefault(circuit, set()).update(dark)
        return found

    return union(shared), union(alone), shared


def of_morning(morning: Morning) -> Study:
    """Score one morning."""
    lights = morning.lights
    known = set(lights.loc[lights["known"], "light_id"])
    dark, alone, shared = _true_dark(morning.feed_faults(morning.troubles))
    mended, _, _ = _true_dark(morning.feed_faults(morning.off_record))
    judged = {one.circuit_id: one for one in morning.judged if one.circuit_id}
    rows = []
    for circuit, ids in morning.on_circuit.items():
        true, one = dark.get(circuit, set()), judged.get(circuit)
        row = {
            "seed": morning.seed,
            "morning": morning.number,
            "circuit_id": circuit,
            "lights": len(ids),
            "known": len(ids & known),
            "judged": one is not None,
            "chance": one.shared if one else 0.0,
            "positive": bool(true),
            "detectable": len(true & known) >= 2,
            "off_record": circuit in mended and not true,
            "visited": circuit in morning.visited,
        }
        if one:
            lone = alone.get(circuit, set()) - true
            row |= _light_counts(one, true, lone, known)
        rows.append(row)
    circuits = pd.DataFrame(rows)
    circuits = pd.concat([circuits, flags(lights, circuits)], axis=1)
    faults = [
        {
            "seed": morning.seed,
            "morning": morning.number,
            "visited": circuit in morning.visited,
        }
        | _of_fault(morning, judged[circuit], section, lamps)
        for circuit, section, lamps in _sections_to_name(morning, shared)
        if circuit in judged and len(lamps & known) >= 2
    ]
    return Study(circuits, pd.DataFrame(faults), pd.Series([morning.seconds]))


def _sections_to_name(
    morning: Morning, shared: pd.DataFrame
) -> Iterable[tuple[str, str, frozenset[str]]]:
    """Give faults of part of a circuit that no other fault hides."""
    for circuit, some in shared.groupby("circuit_id"):
        for i, row in some.iterrows():
            others = some["dark"].drop(i)
            hidden = any(row["dark"] <= other for other in others)
            part = row["dark"] != morning.on_circuit[circuit]
            if row["level"] == "section" and part and not hidden:
                yield circuit, row["section_id"], row["dark"]


def of_city(seed: int, parameters: Parameters, count: int = MORNINGS) -> Study:
    """Score one city on several mornings."""
    return Study.joined(map(of_morning, mornings(parameters, seed, count)))


def study(
    reported: float,
    seeds: Iterable[int],
    lights: int = 20_000,
    count: int = MORNINGS,
    workers: int = 1,
    **changed: object,
) -> Study:
    """Score several cities.

    Parameters
    ----------
    reported
        Chance that a dark light is reported within 14 nights.
    seeds
        One for each city.
    lights
        Lights of each.
    count
        Evenings on which each is judged.
    workers
        Processes.
    changed
        Other parameters of the cities.
    """
    parameters = parameters_for(reported, lights, **changed)
    one = partial(of_city, parameters=parameters, count=count)
    if workers <= 1:
        return Study.joined(map(one, seeds))
    with ProcessPoolExecutor(workers) as pool:
        return Study.joined(pool.map(one, seeds))
