"""Which of two repairs of a light was a wrong guess: by the report that they name."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from lightwatch.detection.held import unheld
from lightwatch.register import Register
from tests.packages import take_in, write_package

FIRST = np.datetime64("2020-06-01")
CHANCE = range(60)
"""Lights where the second part failed later, at an even pace over the year."""

TOLD = range(60, 80)
"""Lights of which a test says what the second repair names."""


def day(after: int) -> str:
    return str(FIRST + after)


def report(name: str, light: int, after: int) -> dict[str, Any]:
    return {"report_id": name, "light_id": f"L{light}", "symptom": "out",
            "received_at": f"{day(after)}T06:00:00"}  # fmt: skip


def repair(
    name: str, light: int, after: int, part: str, names: str = ""
) -> dict[str, Any]:
    return {"repair_id": name, "light_id": f"L{light}", "report_id": names,
            "performed_at": f"{day(after)}T10:00:00", "cause": part,
            "component": part, "action": "replaced"}  # fmt: skip


def town(
    folder: Path, reports: list[dict[str, Any]], repairs: list[dict[str, Any]]
) -> Register:
    lights = [
        {"light_id": f"L{i}", "longitude": 0.001 * i, "latitude": 50.0,
         "technology": "hps"}
        for i in [*CHANCE, *TOLD]
    ]  # fmt: skip
    for i in CHANCE:
        after = 4 + 6 * i
        reports += [report(f"A{i}", i, -6), report(f"B{i}", i, after)]
        repairs += [repair(f"V{i}", i, 0, "photocontrol", f"A{i}"),
                    repair(f"W{i}", i, after + 5, "lamp", f"B{i}")]  # fmt: skip
    package = write_package(
        folder / "town", {"lights": lights, "reports": reports, "repairs": repairs},
        created="2022-01-01T00:00:00Z", opened_on="2016-01-01",
    )  # fmt: skip
    return take_in(package).register


def named(register: Register) -> set[str]:
    return set(register.known.repairs.loc[sorted(unheld(register)), "repair_id"])


def test_the_same_report_answered_twice_was_not_answered_first(tmp_path: Path) -> None:
    """However late the second crew came: here up to 160 days."""
    repairs = [repair(f"F{i}", i, 0, "photocontrol", f"Q{i}") for i in TOLD]
    repairs += [
        repair(f"S{i}", i, 8 * k, "lamp", f"Q{i}") for k, i in enumerate(TOLD, 1)
    ]
    found = named(town(tmp_path, [report(f"Q{i}", i, -6) for i in TOLD], repairs))
    assert {f"F{i}" for i in TOLD} <= found
    assert len(found) <= len(TOLD) + 3


def test_two_reports_each_with_its_repair_were_two_troubles(tmp_path: Path) -> None:
    """The second was told of before the first was mended."""
    reports = [report(f"Q{i}", i, -6) for i in TOLD]
    reports += [report(f"R{i}", i, -4) for i in TOLD]
    repairs = [repair(f"F{i}", i, 0, "photocontrol", f"Q{i}") for i in TOLD[:4]]
    repairs += [repair(f"S{i}", i, 12, "lamp", f"R{i}") for i in TOLD[:4]]
    assert not named(town(tmp_path, reports, repairs))


def test_work_between_hides_no_wrong_guess(tmp_path: Path) -> None:
    repairs = []
    for i in TOLD:
        repairs += [
            repair(f"F{i}", i, 0, "photocontrol", f"Q{i}"),
            repair(f"M{i}", i, 2, "ballast", f"N{i}"),
            repair(f"S{i}", i, 15, "lamp", f"Q{i}"),
        ]
    reports = [report(f"Q{i}", i, -6) for i in TOLD]
    reports += [report(f"N{i}", i, -5) for i in TOLD]
    assert {f"F{i}" for i in TOLD} <= named(town(tmp_path, reports, repairs))


def test_a_later_failure_clears_no_wrong_guess(tmp_path: Path) -> None:
    repairs = []
    for i in TOLD:
        repairs += [
            repair(f"F{i}", i, 0, "photocontrol", f"Q{i}"),
            repair(f"S{i}", i, 15, "lamp", f"Q{i}"),
            repair(f"B{i}", i, 300, "ballast", f"R{i}"),
        ]
    reports = [report(f"Q{i}", i, -6) for i in TOLD]
    reports += [report(f"R{i}", i, 295) for i in TOLD]
    assert {f"F{i}" for i in TOLD} <= named(town(tmp_path, reports, repairs))
