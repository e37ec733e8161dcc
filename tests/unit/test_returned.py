"""Lights told of again after a repair, and what was found: signs of a wrong guess."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from lightwatch.decisions.repeats.unheld import unheld_repairs
from lightwatch.detection.guesses import wrongly
from lightwatch.detection.held import unheld
from lightwatch.detection.marks import ANOTHER, ONE_SYMPTOM, alike
from lightwatch.detection.returned import returned
from lightwatch.register import Register
from tests.packages import take_in, write_package

OPENED = np.datetime64("2016-01-01")
MENDED = np.datetime64("2020-06-01")
CREATED = np.datetime64("2022-01-01")


def at(day: np.datetime64, hour: int) -> str:
    return f"{day}T{hour:02d}:00:00"


def told(light: str, day: np.datetime64) -> dict[str, Any]:
    return {"report_id": f"Q-{light}-{day}", "light_id": light, "symptom": "out",
            "received_at": at(day, 6)}  # fmt: skip


def work(
    light: str, day: np.datetime64, part: str = "photocontrol", **more: str
) -> dict[str, Any]:
    return {"repair_id": f"W-{light}-{day}", "light_id": light, "cause": part,
            "performed_at": at(day, 10), "component": part,
            "action": "replaced"} | more  # fmt: skip


def town(
    folder: Path, reports: list[dict[str, Any]], repairs: list[dict[str, Any]]
) -> Register:
    names = sorted({row["light_id"] for row in repairs})
    lights = [
        {"light_id": name, "longitude": 0.001 * i, "latitude": 50.0,
         "technology": "hps"}
        for i, name in enumerate(names)
    ]  # fmt: skip
    package = write_package(
        folder / "town", {"lights": lights, "reports": reports, "repairs": repairs},
        created=f"{CREATED}T00:00:00Z", opened_on=str(OPENED),
    )  # fmt: skip
    return take_in(package).register


def lights_of(register: Register, frame: pd.DataFrame) -> list[str]:
    return register.known.repairs["light_id"].loc[frame["repair"]].tolist()


def test_told_of_again_and_nobody_came(tmp_path: Path) -> None:
    reports = [told(name, MENDED + 9) for name in ("alone", "seen", "mended")]
    reports += [told("alone", MENDED - 4), told("alone", MENDED + 12)]
    repairs = [work(name, MENDED) for name in ("quiet", "seen", "mended")]
    repairs += [work("alone", MENDED - 300), work("alone", MENDED, proven="cover_test")]
    repairs += [
        work("mended", MENDED + 15, "lamp"),
        work("seen", MENDED + 15, "none", component="", action="no_fault_found"),
    ]
    register = town(tmp_path, reports, repairs)
    frame, watched = returned(register)
    assert lights_of(register, frame) == ["alone"]
    assert frame["times"].tolist() == ["twice"]
    assert frame["age"].tolist() == ["0"]
    assert frame["proof"].tolist() == ["cover_test"]
    assert np.allclose(frame["waited"], 4 + 4 / 24)
    assert np.allclose(frame["days"], 9 - 4 / 24)
    assert len(watched) == 6


def test_a_report_answered_at_another_light_tells_nothing_of_the_one_named(
    tmp_path: Path,
) -> None:
    reports = [told(name, MENDED + 9) for name in ("named", "alone")]
    answer = work("meant", MENDED + 12, report_id=reports[0]["report_id"])
    repairs = [work("named", MENDED), work("alone", MENDED), answer]
    register = town(tmp_path, reports, repairs)
    frame, _ = returned(register)
    assert lights_of(register, frame) == ["alone"]


def test_what_was_told_of_lately_may_yet_be_answered(tmp_path: Path) -> None:
    late, early = CREATED - 40, CREATED - 90
    reports = [told("late", late + 5), told("early", early + 5)]
    register = town(tmp_path, reports, [work("late", late), work("early", early)])
    frame, _ = returned(register)
    assert lights_of(register, frame) == ["early"]


def test_lights_back_within_weeks_are_named_though_no_second_visit_is_on_record(
    tmp_path: Path,
) -> None:
    """Sixty came back at an even pace over the year, by chance; thirty within weeks."""
    by_chance = [f"A{i:02}" for i in range(60)]
    back = [f"B{i:02}" for i in range(30)]
    reports, repairs = [], [work(name, MENDED) for name in by_chance + back]
    for i, name in enumerate(by_chance):
        reports.append(told(name, MENDED + 6 + 6 * i))
    for i, name in enumerate(back):
        reports.append(told(name, MENDED + 10 + i % 10))
    repairs += [
        work("B07", MENDED + 400, "lamp"),
        work("B08", MENDED + 18 + 45, "lamp"),
    ]
    register = town(tmp_path, reports, repairs)
    wrong = register.known.repairs["light_id"].loc[sorted(unheld(register))]
    assert set(back) <= set(wrong)
    found = unheld_repairs(register)
    assert all(5 < one.again_after_days < 20 for one in found)
    ended = {one.light_id: one.finally_ for one in found}
    assert ended["B07"] is None
    assert ended["B08"] == "lamp"
    assert len(wrong) <= len(back) + 4


@pytest.mark.parametrize(
    ("mark", "usual", "odd"),
    [("symptom", "out, again", "cycling, then another"), ("age", "2", "0")],
)
def test_symptoms_and_ages_are_those_of_the_part(
    mark: str, usual: str, odd: str
) -> None:
    """Where lamps cycle and photocontrols do not, a photocontrol cures no cycling."""
    rng = np.random.default_rng(3)
    chance = pd.DataFrame(
        {"days": rng.uniform(0, 400, 800), "part": ["lamp", "photocontrol"] * 400}
    )
    odd_lamp = (chance["part"] == "lamp") & (rng.random(800) < 0.4)
    chance[mark] = np.where(odd_lamp, odd, usual)
    wrong = pd.DataFrame({"days": rng.uniform(10, 60, 40), "part": "photocontrol"})
    wrong[mark] = odd
    pairs = pd.concat([chance, wrong], ignore_index=True)
    pairs = pairs.assign(waited=6.0, proof="", report="none")
    found = wrongly(pairs, np.full(8000, 400.0))
    assert found[800:].min() > 0.6
    assert found[:800][odd_lamp].max() < 0.4


def test_a_light_told_of_time_and_again_is_rather_a_wrong_guess() -> None:
    rng = np.random.default_rng(3)
    pairs = pd.DataFrame({"days": rng.uniform(0, 400, 800), "times": "once"})
    back = pd.DataFrame({"days": rng.uniform(10, 60, 60), "times": "more"})
    pairs = pd.concat([pairs, back], ignore_index=True)
    pairs = pairs.assign(waited=6.0, part="lamp", age="", proof="", symptom="")
    found = wrongly(pairs, np.full(8000, 400.0))
    assert found[800:].min() > 0.8
    assert found[:800].max() < 0.5


def test_before_many_are_seen_another_symptom_speaks_against_a_wrong_guess() -> None:
    said = ["out, again", "out, then another"]
    days = np.append(np.linspace(5, 395, 100), [20.0, 20.0])
    pairs = pd.DataFrame({"days": days, "symptom": said * 51})
    pairs = pairs.assign(waited=6.0, part="lamp", age="", proof="")
    again, another = wrongly(pairs, np.full(1000, 400.0))[-2:]
    assert another < 0.5 * again


def test_the_symptom_and_whether_it_was_the_same_again() -> None:
    first = pd.Series(["out", "out", "cycling", "", "out", "out"])
    second = pd.Series(["out", "cycling", "cycling", "out", "", "group_out"])
    assert alike(first, second).tolist() == [
        f"out{ONE_SYMPTOM}", f"out{ANOTHER}", f"cycling{ONE_SYMPTOM}", "", "out",
        f"out{ONE_SYMPTOM}",
    ]  # fmt: skip
