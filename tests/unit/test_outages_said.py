"""Outages as a dispatcher says them, and the rates they rest on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.triage import NextTest, Outage
from lightwatch.decisions.triage.crowd import Crowd
from lightwatch.decisions.triage.experience import Experience
from lightwatch.decisions.triage.misplaced import Misplaced
from lightwatch.decisions.triage.spoken import how_likely
from lightwatch.decisions.triage.waits import Waits
from lightwatch.detection import Detection
from reports.explaining import explained
from reports.outages import outages_text

NOW = datetime(2025, 11, 25, 6, 0, tzinfo=UTC)


def fault(**changed: Any) -> Outage:
    told: dict[str, Any] = {
        "lights": ("L1", "L2", "L3", "L4"),
        "reported": ("L1", "L2"),
        "circuit_id": "C1",
        "underground": True,
        "symptom": "out",
        "probabilities": {"supply_fault": 0.96, "single_light": 0.04},
        "sections": (("S3", 0.58), ("S4", 0.27)),
        "components": (),
        "test_first": NextTest("pole P4", "it splits what is left; about 3 tests"),
        "since": NOW - timedelta(days=5),
        "why": ("2 of 4 lights beyond section S3 reported out",),
        "danger": (),
        "seen_lit": ("L9",),
        "dark_since": NOW - timedelta(days=16),
    }
    return Outage(**(told | changed))


def said(*outages: Outage) -> str:
    return " ".join(outages_text(NOW.isoformat(), outages).split())


@pytest.mark.parametrize(
    ("share", "word"),
    [
        (0.9, "almost certainly"),
        (0.899, "probably"),
        (0.7, "probably"),
        (0.699, "could be"),
        (0.4, "could be"),
        (0.399, "unclear; the likeliest is"),
    ],
)
def test_a_probability_has_one_word(share: float, word: str) -> None:
    assert how_likely(share) == word


def test_a_fault_is_told_as_a_dispatcher_would() -> None:
    text = said(fault())
    for words in (
        "Almost certainly one fault on the underground feed (96 %), on circuit C1.",
        "Reported out: L1, L2, first on 20 Nov 06:00. Dark since about 9 Nov.",
        "2 of 4 lights beyond section S3 reported out.",
        "Most likely section S3 (58 %), then S4 (27 %).",
        "Not heard from: 2 lights on this stretch are probably dark too (L3, L4).",
        "Check first: pole P4; it splits what is left; about 3 tests.",
        "What would change this: a light beyond S3 seen lit by night",
    ):
        assert words in text


def test_an_inferred_order_names_no_section() -> None:
    assert "Most likely section" not in said(fault(inferred=True))


def test_danger_is_said_first() -> None:
    text = said(fault(danger=("wires",)))
    assert text.index("DANGER reported: wires. Make safe first.") < text.index("96 %")


def test_what_is_probably_nothing_stands_last_and_says_so() -> None:
    nothing = fault(probabilities={"no_fault": 0.8, "single_light": 0.2})
    text = said(nothing, fault())
    assert text.index("one fault on") < text.index("Probably nothing there (80 %)")


def test_buried_feeds_bring_all_seven_cautions_and_others_do_not() -> None:
    assert "7. Traffic control" in said(fault())
    assert "7. Traffic control" not in said(fault(underground=False))


def test_nothing_open_is_said_too() -> None:
    assert said() == f"Nothing is open as of {NOW.isoformat()}."


def rates(**changed: Any) -> Experience:
    rows = [
        ("L1", "", "", "lamp", "hps", 0.1, 1.0),
        ("L2", "", "", "lamp", "hps", 0.3, 1.0),
        ("", "C1", "S1", "cable", "underground_duct", 0.02, 0.5),
        ("", "C1", "S2", "cable", "underground_duct", 0.01, 0.1),
    ]
    columns = ["light_id", "circuit_id", "section_id", "kind", "type", "per_year", "km"]
    told: dict[str, Any] = {
        "hazards": pd.DataFrame(rows, columns=columns),
        "feed_ratio": {"C1": 1.5},
        "supply_per_year": 0.001,
        "group_per_year": 0.08,
        "damage_per_km_year": 0.0002,
        "false_per_night": {"out": 1e-5},
        "misplaced": Misplaced(0.08, 0.5),
        "heard": {"out": 100},
        "wrong": {"dayburning": 0.1},
        "noted_wrongly": 1e-4,
        "crowd": Crowd(0.4, 0.6),
        "slip": 0.03,
        "mishaps_per_year": 1e-5,
        "customers_per_year": 0.05,
        "symptom_share": {},
        "detection": Detection({"out": 0.05}, {"out": 0.9}, 0.01, 0.04, 0.7),
        "waits": Waits(np.zeros(0), np.zeros(0)),
    }
    return Experience(**(told | changed))


def test_the_rates_are_told_with_their_units() -> None:
    lines = {" ".join(line.split()) for line in explained(rates()).splitlines()}
    for line in (
        "lamp hps 0.2000 1/year",
        "cable, underground duct 0.05000 1/(km year)",
        "main supply or main fuse of a circuit 0.001 1/year",
        "group photocontrol 0.08 1/year",
        "false report of out 0.0037 1/year",
        "share of reports that name another light 8 %",
        "repairs that left the light dark 3 %",
        "out 0.0500 1/day",
        "one dark with others, against alone: before any is reported 0.40 times",
        "one dark with others, against alone: after that 0.60 times",
        "out 90 %",
        "C1 1.50 times",
    ):
        assert line in lines
