"""Hazards of what is in place, assumed until failures are on record.

A Weibull hazard at its present age where a kind and type has failures enough; otherwise
failures per year under watch, drawn to what is published of the kind. Time counts as
watched only as far as repairs are on record.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from lightwatch.decisions.triage.priors import Basis, of_light, of_part
from lightwatch.lives import Lives, all_lives
from lightwatch.nights import YEAR
from lightwatch.rates.hazards import COLUMNS, ageing
from lightwatch.register import Register
from lightwatch.words import PER_LIGHT, SUPPLY, UNANSWERED

Group = tuple[str, str]
WHOLE = "unknown"
"""The kind of a light of which no parts are on record; its type is the technology."""

ELSEWHERE = ("pole", "photocontrol", *PER_LIGHT)
"""Kinds that make no light by themselves."""


def in_place(lives: Lives) -> pd.DataFrame:
    """Return what is in place now, with ``age`` [years], and its length [km]."""
    frame = all_lives(lives.register)
    frame = frame[frame["end"] >= lives.register.as_of]
    born = (frame["installed"] + frame["installed_last"]) / 2
    born = np.minimum(born, frame["start"])
    return frame.assign(
        age=(lives.register.as_of - born) / YEAR, km=frame["weight"]
    ).reset_index(drop=True)


def hazards(lives: Lives) -> tuple[pd.DataFrame, dict[str | Group, Basis]]:
    """Return what is in place with its hazard, and what each kind and type stands on.

    Returns
    -------
    pandas.DataFrame
        ``light_id``, ``circuit_id``, ``section_id``, ``kind``, ``type``,
        ``per_year`` [1/year], of a section for its whole length, and ``km``, its
        length. A light without parts on record has one row of kind ``unknown``.
    dict
        By kind and type.
    """
    frame, laws = in_place(lives), ageing(lives)
    seen = _seen(lives)
    per_year = np.zeros(len(frame))
    basis: dict[str | Group, Basis] = {}
    for (kind, type_), rows in frame.groupby(["kind", "type"]).indices.items():
        group = (str(kind), str(type_))
        failed, years = seen.get(group, (0, 0.0))
        prior, law = of_part(*group), laws.get(group)
        basis[group] = Basis(failed, prior)
        age = frame["age"].to_numpy(float)[rows]
        per_year[rows] = prior.drawn(float(failed), years)
        if law is not None and law.shape is not None:
            per_year[rows] = law.per_year(age)
    long = frame["km"].where(frame["kind"].isin(list(SUPPLY)), 1.0)
    known = frame.assign(per_year=per_year * long)[list(COLUMNS)]
    whole, of_whole = _whole(lives.register, known)
    parts = [part for part in (known, whole) if len(part)] or [known]
    return pd.concat(parts, ignore_index=True), basis | of_whole


def _seen(lives: Lives) -> dict[Group, tuple[int, float]]:
    """Return by kind and type the failures, and the years or km-years watched."""
    frame = lives.frame
    years = (frame["end"] - frame["start"]).to_numpy(float) / YEAR
    table = pd.DataFrame(
        {
            "kind": frame["kind"],
            "type": frame["type"],
            "failed": frame["failed"].astype(float),
            "years": years * frame["weight"].to_numpy(float),
        }
    )
    sums = table.groupby(["kind", "type"])[["failed", "years"]].sum()
    return {
        (str(kind), str(type_)): (int(failed), float(years))
        for (kind, type_), failed, years in zip(
            sums.index, sums["failed"], sums["years"], strict=True
        )
    }


def _whole(
    register: Register, known: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str | Group, Basis]]:
    """Return lights without parts on record, by technology.

    Repairs at them that found something count as failures of the whole light.
    """
    lights, repairs = register.standing, register.known.repairs
    parts = known[(known["light_id"] != "") & ~known["kind"].isin(ELSEWHERE)]
    lights = lights[~lights["light_id"].isin(set(parts["light_id"]))]
    mends = ~repairs["action"].isin((*UNANSWERED, "no_fault_found", "converted"))
    at = repairs.loc[mends, "light_id"].map(lights.set_index("light_id")["technology"])
    events = at.value_counts()
    years = (register.watched_until - register.known.opened) / YEAR
    rate = pd.Series(0.0, lights.index)
    basis: dict[str | Group, Basis] = {}
    for technology, rows in lights.groupby("technology").groups.items():
        name, failed = str(technology), int(events.get(technology, 0))
        basis[WHOLE, name] = Basis(failed, of_light(name))
        rate[rows] = of_light(name).drawn(float(failed), max(years, 0.0) * len(rows))
    return (
        pd.DataFrame(
            {
                "light_id": lights["light_id"],
                "circuit_id": "",
                "section_id": "",
                "kind": WHOLE,
                "type": lights["technology"],
                "per_year": rate,
                "km": 1.0,
            }
        ),
        basis,
    )
