"""What the records say of how often things fail: the rates that verdicts rest on.

This version judges from hazards and counts on the circuit alone, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.lives import Lives
from lightwatch.nights import DAY, YEAR
from lightwatch.rates import rates
from lightwatch.register import Register
from lightwatch.words import SUPPLY, UNANSWERED

REPORTED = 0.5
"""Assumed chance that a dark light has been reported by now; no source."""

WATCH_DAYS = 45.0
"""A shared fault older than this would have been found [days]; no source."""

_USUAL_DAYS_OPEN = 14.0
_HALF = 0.5


@dataclass(frozen=True)
class Experience:
    """Rates from the records, each with half a failure added so that none is zero."""

    light_per_year: float
    """Of a light going out by its own components."""
    section_per_km_year: dict[str, float]
    """By construction."""
    group_per_year: float
    """Of a group photocontrol."""
    supply_per_year: float
    """Of a circuit's main supply or main fuse."""
    false_share: float
    """Share of visits at which nothing was wrong."""
    days_open: float
    """From a report to its repair [days]."""
    component_per_year: dict[tuple[str, str], float]
    """By kind and type."""
    symptom_share: dict[tuple[str, str], float]
    """By cause and symptom: how often that cause was reported as that symptom."""


def _share_of_symptoms(register: Register) -> dict[tuple[str, str], float]:
    reports = register.known.reports.set_index("report_id")["symptom"]
    repairs = register.known.repairs
    answered = repairs[repairs["report_id"] != ""]
    symptom = answered["report_id"].map(reports)
    counts = pd.crosstab(answered["cause"], symptom)
    shares = (counts + _HALF).div((counts + _HALF).sum(axis=1), axis=0)
    return {
        (str(cause), str(name)): float(shares.at[cause, name])
        for cause in shares.index
        for name in shares.columns
    }


def _visits(register: Register) -> tuple[float, float]:
    repairs = register.known.repairs
    visits = repairs[(repairs["report_id"] != "") & ~repairs["action"].isin(UNANSWERED)]
    if visits.empty:
        return 0.05, _USUAL_DAYS_OPEN
    empty = (visits["action"] == "no_fault_found").sum()
    received = register.known.reports.set_index("report_id")["happened"]
    waited = visits["happened"] - visits["report_id"].map(received)
    days = float(np.nanmean(np.maximum(waited, 0)) / DAY)
    return float(empty + _HALF) / (len(visits) + 1), max(days, 1.0)


def experience(lives: Lives) -> Experience:
    """Read the rates that verdicts rest on from the lives so far."""
    register = lives.register
    frame = lives.frame
    years = (frame["end"] - frame["start"]) / YEAR
    own = frame["light_id"] != ""
    group = ~own & (frame["kind"] == "photocontrol")
    light_years = float(years[own & (frame["kind"] == "wiring")].sum())
    circuit_years = len(register.known.circuits) * max(
        (register.as_of - register.known.opened) / YEAR, 0.0
    )
    repairs = register.known.repairs
    whole = (repairs["light_id"] == "") & (repairs["section_id"] == "")
    supply = whole & repairs["cause"].isin(["supply", "fuse", "cable_fault"])
    false_share, days_open = _visits(register)
    by_kind = rates(lives, ("kind", "type"))

    def per_year(failures: float, at_risk_years: float) -> float:
        return (failures + _HALF) / max(at_risk_years, 1.0)

    every = {
        (row.group["kind"], row.group["type"]): per_year(row.failures, row.unit_years)
        for row in by_kind
    }
    return Experience(
        light_per_year=per_year(frame["failed"][own].sum(), light_years),
        section_per_km_year={
            name: rate for (kind, name), rate in every.items() if kind in SUPPLY
        },
        group_per_year=per_year(frame["failed"][group].sum(), years[group].sum()),
        supply_per_year=per_year(int(supply.sum()), circuit_years),
        false_share=false_share,
        days_open=days_open,
        component_per_year={k: r for k, r in every.items() if k[0] not in SUPPLY},
        symptom_share=_share_of_symptoms(register),
    )
