"""Hazards of feeds: each group photocontrol by its own type and age."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from tests.unit.test_outages_said import rates

CONTROLS = [
    ("", "C1", "", "photocontrol", "thermal", 0.14, 1.0),
    ("", "C2", "", "photocontrol", "electronic", 0.02, 1.0),
    ("L1", "", "", "photocontrol", "electronic", 0.5, 1.0),
]


def test_a_group_control_fails_by_its_own_type_and_age_and_others_as_usual() -> None:
    known = rates()
    more = pd.DataFrame(CONTROLS, columns=known.hazards.columns)
    circuits = pd.DataFrame(
        {"circuit_id": ["C1", "C2", "C3", "C4"],
         "control": ["group", "group", "group", "own"]}
    )  # fmt: skip
    grid: Any = SimpleNamespace(
        section_ids=pd.Index(["S1", "S2"]),
        km=np.array([0.5, 0.1]),
        circuits=pd.Index(["C1", "C2", "C3", "C4"]),
        register=SimpleNamespace(known=SimpleNamespace(circuits=circuits)),
    )
    known = rates(hazards=pd.concat([known.hazards, more]))
    found = known.of_feeds(grid, set(), (set(), set()))
    assert found.group.tolist() == [0.14, 0.02, known.group_per_year, 0.0]
