"""Lights on a wrong circuit, on one street of lights 30 m apart."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from math import exp, log
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lightwatch.decisions.triage import Triage, triaged
from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.misdrawn import chances, doubted, history
from lightwatch.decisions.triage.past_faults import (
    BESIDE_HELD,
    HELD,
    LOST,
    PastFaults,
)
from lightwatch.decisions.triage.shared_mends import shared_mends
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.surroundings import AMONG, OWN, surroundings
from lightwatch.lives import lives
from reports.doubts import doubts_text
from reports.outages import outages_text
from tests.packages import take_in, write_package

OPENED = datetime(2016, 1, 1, tzinfo=UTC)
LIGHTS = 24
STRAY = "L18"
DRAWN = ["C1"] * 12 + ["C2"] * 12
DRAWN[17] = "C1"
"""The stray is on the circuit of the first twelve on record."""

FIRST_TOLD, MENDED = 100.0, 120.0


def at(day: float) -> str:
    return (OPENED + timedelta(days=day)).strftime("%Y-%m-%dT%H:%M:%SZ")


def report(day: float, light: str, symptom: str = "out") -> dict[str, Any]:
    return {"report_id": f"Q{day:g}{light}", "received_at": at(day),
            "light_id": light, "symptom": symptom}  # fmt: skip


def mend(
    day: float, circuit: str, cause: str = "supply", **more: str
) -> dict[str, Any]:
    return {"repair_id": f"W{day:g}{circuit}", "performed_at": at(day),
            "recorded_at": at(day), "circuit_id": circuit, "cause": cause,
            "action": "repaired", **more}  # fmt: skip


def patrol(day: float, noted: Iterable[str]) -> dict[str, list[dict[str, Any]]]:
    name = f"N{day:g}"
    return {
        "patrols": [{"patrol_id": name, "started_at": at(day), "road_id": "R1",
                     "kind": "night"}],
        "sightings": [{"patrol_id": name, "light_id": light, "state": "out",
                       "seen_at": at(day + 0.01)} for light in noted],
    }  # fmt: skip


def street(
    folder: Path,
    reports: Sequence[dict[str, Any]],
    repairs: Sequence[dict[str, Any]],
    patrols: dict[str, list[dict[str, Any]]] | None = None,
    drawn: Sequence[str] = DRAWN,
    control: str = "own",
) -> Triage:
    """Take in the street; 0.0004 degrees east at 47.9 north are 29.8 m."""
    lights = [
        {"light_id": f"L{i}", "longitude": round(10 + 0.0004 * i, 6), "latitude": 47.9,
         "road_id": "R1", "circuit_id": circuit, "technology": "hps"}
        for i, circuit in enumerate(drawn, 1)
    ]  # fmt: skip
    circuits = [
        {"circuit_id": name, "feed": "underground", "voltage": 230, "control": control}
        for name in sorted({"C1", "C2", *drawn} - {""})
    ]
    road = {
        "type": "Feature",
        "properties": {"road_id": "R1", "name": "Long Row", "class": "residential",
                       "speed_kmh": 50, "one_way": False},
        "geometry": {"type": "LineString",
                     "coordinates": [[10.0, 47.9], [10.01, 47.9]]},
    }  # fmt: skip
    tables = {"lights": lights, "circuits": circuits, "reports": reports,
              "repairs": repairs, **(patrols or {})}  # fmt: skip
    written = write_package(
        folder / "street", tables, created="2020-01-01T00:00:00+00:00",
        opened_on="2016-01-01", roads=[road],
    )  # fmt: skip
    taken = take_in(written)
    assert not taken.outcome.rejects
    return Triage.of(lives(taken.register))


def twice() -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Two faults of the second circuit, the stray told of in both."""
    reports, repairs = [], []
    for begun in (100.0, 700.0):
        told = ("L14", "L17", STRAY, "L22")
        reports += [report(begun + 3 * i, one) for i, one in enumerate(told)]
        repairs.append(mend(begun + 20, "C2"))
    return reports, repairs


def test_one_light_that_nothing_else_is_known_of() -> None:
    """With every share as likely, of one light with factor L it is L / (1 + L)."""
    assert chances(np.array([9.0]), 0.5, 2.0)[0] == pytest.approx(0.9, abs=0.005)


def test_two_lights_that_stand_alike_strengthen_each_other() -> None:
    """Both with factor 4: the integrals of 4w(1 + 3w) and (1 + 3w)^2 are 6 and 7."""
    assert chances(np.array([4.0, 4.0]), 0.5, 2.0) == pytest.approx(6 / 7, abs=0.005)


def test_the_light_among_those_of_another_circuit_is_found(tmp_path: Path) -> None:
    grid = street(tmp_path, [], []).signs.grid
    found = surroundings(grid)
    names = grid.light_ids[found["light"]]
    stands = dict(zip(names, found["stands"], strict=True))
    assert [one for one, how in stands.items() if how == AMONG] == [STRAY]
    assert stands["L11"] == OWN
    assert set(stands) >= {f"L{i}" for i in (11, 12, 13, 14, 16, 17, 19, 20)}
    assert found.groupby("light")["share"].sum().to_numpy() == pytest.approx(1.0)
    mine = found[names == STRAY]
    assert set(grid.circuits[mine["circuit"]]) == {"C2"}


def test_the_factor_of_a_light_told_of_with_the_other_circuit(tmp_path: Path) -> None:
    """Ln of (h r + (1 - h) a) / a: held, told of in n nights, and by itself."""
    told = [report(100.0, "L14"), report(104.0, STRAY), report(106.0, "L22")]
    triage = street(tmp_path, told, [mend(120.0, "C2")])
    past, known = PastFaults(triage.signs, triage.known), triage.known
    stray = int(triage.signs.grid.light_ids.get_loc(STRAY))
    rows = past.faults.drop_duplicates("fault").assign(light=stray)
    [one] = past.did(rows, BESIDE_HELD, own=False).itertuples()
    rates = triage.signs.rates_of(known).channel(DARKNESS)
    heard = 1 - exp(-rates.reported_per_night[stray] * known.crowd.later * 20.0)
    rate = rates.own_per_night[stray] * LOST + rates.false_per_night.sum()
    alone = max(1 - exp(-rate * 27.0), 0.01)
    assert one.told
    assert one.log_ratio == pytest.approx(
        log((BESIDE_HELD * heard + (1 - BESIDE_HELD) * alone) / alone), abs=1e-6
    )


def test_the_factor_of_a_light_seen_lit_while_its_own_was_dark(tmp_path: Path) -> None:
    """A patrol notes eleven of the others: ln of 1 - s hit, with s from what it saw."""
    noted = [f"L{i}" for i in range(1, 12)]
    triage = street(
        tmp_path,
        [report(100.0, "L3"), report(104.0, "L9")],
        [mend(120.0, "C1")],
        patrol(110.0, noted),
    )
    past, known = PastFaults(triage.signs, triage.known), triage.known
    stray = int(triage.signs.grid.light_ids.get_loc(STRAY))
    [one] = past.did(
        past.faults[past.faults["light"] == stray], HELD, own=True
    ).itertuples()
    of_fault = (11 + HELD) / (12 + 1)
    dark = min((11 + of_fault) / (12 + 1), HELD)
    rates = triage.signs.rates_of(known).channel(DARKNESS)
    silent = exp(-rates.reported_per_night[stray] * known.crowd.later * 20.0)
    rate = rates.own_per_night[stray] * LOST + rates.false_per_night.sum()
    alone = max(1 - exp(-rate * 27.0), 0.01)
    quiet = (dark * silent + (1 - dark) * (1 - alone)) / (1 - alone)
    assert (one.lit, one.told) == (1, False)
    assert one.log_ratio == pytest.approx(log((1 - dark * rates.hit) * quiet), abs=1e-6)


def test_a_light_that_went_dark_twice_with_the_other_circuit_is_named(
    tmp_path: Path,
) -> None:
    triage = street(tmp_path, *twice())
    [one] = triage.misdrawn
    assert (one.light_id, one.circuit_id, one.probably_on) == (STRAY, "C1", "C2")
    assert one.dark_with == 2
    said = " ".join(doubts_text(triage.misdrawn).split())
    assert "L18 is on circuit C1 on record, but probably on C2; check: dark w" in said
    assert "Check each on site, at the pole" in said
    assert "does not make it dead" in said


def test_a_light_named_counts_in_the_faults_of_its_likelier_circuit(
    tmp_path: Path,
) -> None:
    """Its report and that of one other make a fault of the second circuit likelier."""
    reports, repairs = twice()
    told = [report(1440.0, "L17"), report(1441.0, STRAY)]
    triage = street(tmp_path, [*reports, *told], repairs)
    [fault] = [one for one in triaged(triage) if STRAY in one.reported]
    assert fault.circuit_id == "C2"
    assert fault.reported == ("L17", STRAY)
    said = outages_text("2020-01-01T00:00:00+00:00", [fault], triage.misdrawn)
    assert "Record in doubt: L18 is on circuit C1 on record" in " ".join(said.split())


def test_right_drawings_name_none(tmp_path: Path) -> None:
    right = ["C1"] * 12 + ["C2"] * 12
    assert street(tmp_path, *twice(), drawn=right).misdrawn == ()


def test_without_mended_faults_or_circuits_none_is_doubted(tmp_path: Path) -> None:
    assert street(tmp_path / "a", [report(100.0, STRAY)], []).misdrawn == ()
    assert street(tmp_path / "b", *twice(), drawn=[""] * LIGHTS).misdrawn == ()
    assert street(tmp_path / "c", *twice(), drawn=["C1"] + [""] * 23).misdrawn == ()
    assert street(tmp_path / "d", [], [mend(5.0, "C2")]).misdrawn == ()


def test_a_light_told_of_alone_and_mended_by_itself_counts_for_nothing(
    tmp_path: Path,
) -> None:
    reports, repairs = twice()
    own = [
        {**mend(day, "", "lamp"), "repair_id": f"V{day:g}", "light_id": STRAY}
        for day in (110.0, 710.0)
    ]
    triage = street(tmp_path, reports, [*repairs, *own])
    against = history(Signs.of(triage.register), triage.known).set_index("light_id")
    assert against.loc[STRAY, "dark_with"] == 0
    assert against.loc[STRAY, "log_factor"] < 0
    assert triage.misdrawn == ()


def test_circuits_that_take_turns_along_a_street_are_not_doubted(
    tmp_path: Path,
) -> None:
    """Two of one, two of the other: a false report of one light makes none wrong."""
    turns = ["C1", "C2", "C2", "C2"] * 6
    first = [f"L{i}" for i, one in enumerate(turns, 1) if one == "C1"]
    second = [f"L{i}" for i, one in enumerate(turns, 1) if one == "C2"]
    reports, repairs = [], []
    notes: dict[str, list[dict[str, Any]]] = {"patrols": [], "sightings": []}
    for i in range(6):
        begun, circuit = 100.0 + 150 * i, ("C1", "C2")[i % 2]
        lights = (first, second)[i % 2]
        reports += [report(begun + k, one) for k, one in enumerate(lights[:4])]
        repairs.append(mend(begun + 20, circuit))
        for name, rows in patrol(begun + 10, lights).items():
            notes[name] += rows
    reports.append(report(255.0, first[3]))
    triage = street(tmp_path, reports, repairs, notes, turns)
    table = doubted(Signs.of(triage.register), triage.known)
    assert (table["stands"] == AMONG).sum() >= 4
    assert triage.misdrawn == ()


def test_what_ended_no_fault_of_one_circuit_is_left_out(tmp_path: Path) -> None:
    """Restorations of an area, and a group that burned by day."""
    drawn = ["C1"] * 6 + ["C2"] * 6 + ["C3"] * 6 + ["C4"] * 6
    area = [mend(300.0 + i / 20, f"C{i}") for i in (1, 2, 3)]
    group = mend(500.0, "C1", "photocontrol", symptom_found="dayburning")
    dark = mend(600.0, "C1", "photocontrol", symptom_found="group_out")
    fault = mend(700.0, "C2", "cable_fault")
    triage = street(
        tmp_path, [], [*area, group, dark, fault], drawn=drawn, control="group"
    )
    kept = shared_mends(triage.register)
    assert kept["repair_id"].tolist() == ["W600C1", "W700C2"]
    assert kept["some"].tolist() == [False, True]
