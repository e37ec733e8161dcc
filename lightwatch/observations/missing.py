"""Lights on record that a later export no longer has: removed or renumbered.

A new light where one is missing, alike in all that the export says, is taken for the
same light under a new number: it keeps its old one here, with its history, and the new
one is known for it from then on. Of all others a person must say what became of them;
until then they stand. The answers are the table of questions, filled in.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightwatch.errors import Conflict, NotUnderstood
from lightwatch.nights import LocalTime
from lightwatch.observations.keeping import Intake
from lightwatch.observations.outcome import Missing
from lightwatch.observations.tables import Rows, table_writer
from lightwatch.observations.tagged import NEW_NUMBER, numbers_since
from lightwatch.store import Change, Row

COLUMNS = ("light_id", "what", "on", "new_number")
REMOVED, RENUMBERED, THERE = "removed", "renumbered", "still_there"
NEAR_M = 1.5
"""A new light this near a missing one may be the same [m]."""

_ALIKE = ("technology", "watts", "feed", "circuit_id", "road_id", "maintained_by")
_M_PER_DEGREE = 111_195.0


@dataclass(frozen=True)
class Answer:
    """What became of a light: since when it is gone, or which number it has now."""

    what: str
    on: str
    new_number: str
    where: str


def read_answers(path: Path, clock: LocalTime) -> dict[str, Answer]:
    """Read a filled-in table of missing lights; lines without an answer are left out.

    Raises
    ------
    NotUnderstood
        It cannot be read, or an answer is none.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeError, csv.Error) as error:
        raise NotUnderstood(f"{path} cannot be read ({error})") from None
    found = {}
    for line, row in enumerate(rows, start=2):
        light, what, on, number = ((row.get(c) or "").strip() for c in COLUMNS)
        where = f"{path}, line {line}"
        if what not in ("", REMOVED, RENUMBERED, THERE):
            listed = f"{REMOVED}, {RENUMBERED} or {THERE}"
            raise NotUnderstood(f"{where}: {what!r} is no answer (expected {listed})")
        if what == REMOVED:
            _check_date(on, where, clock)
        if what == RENUMBERED and not number:
            raise NotUnderstood(f"{where}: new_number is missing")
        if light and what:
            found[light] = Answer(what, on, number, where)
    return found


def _check_date(text: str, where: str, clock: LocalTime) -> None:
    try:
        clock.instant(text[:10])
    except NotUnderstood as error:
        raise NotUnderstood(f"{where}: on {text!r} {error}") from None


def write_missing(lights: list[Missing], path: Path) -> None:
    """Write the table of missing lights, to be filled in.

    Raises
    ------
    Conflict
        The file cannot be written.
    """
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = table_writer(file)
            writer.writerow(COLUMNS)
            writer.writerows(
                (one.light_id, RENUMBERED if one.new_number else "", "", one.new_number)
                for one in lights
            )
    except OSError as error:
        raise Conflict(f"{path} cannot be written ({error.strerror})") from None


def settle(intake: Intake, rows: Rows, answers: dict[str, Answer]) -> None:
    """Find the lights that the export no longer has; act on what is said of them.

    Raises
    ------
    NotUnderstood
        An answer does not fit the lights on record or in the export.
    """
    if intake.fresh["lights"] or intake.is_older:
        return
    writer, context = intake.writer, intake.context
    here = {text: i for i, text in enumerate(rows.columns["light_id"])}
    void = {light for light, one in answers.items() if one.what != RENUMBERED}
    for number, light in numbers_since(writer).items():
        if number in here and light not in here and light not in void:
            context.renumbered[number] = light
    for light, one in answers.items():
        _check(context.keys["lights"], here, light, one)
        if one.what == RENUMBERED and light not in here:
            context.renumbered[one.new_number] = light
    came_back = set(context.renumbered.values())
    removed = writer.column("lights", "removed_on")
    gone = [k for k, on in removed.items() if k not in here and k not in came_back]
    standing = [light for light in gone if not removed[light]]
    guessed = _probably(intake, rows, [k for k in standing if k not in answers])
    context.renumbered |= {number: light for light, number in guessed.items()}
    for light in standing:
        answer = answers.get(light)
        if answer is None:
            missing = Missing(light, guessed.get(light, ""))
            intake.outcome.missing.append(missing)
        elif answer.what == REMOVED:
            _remove(intake, light, answer.on[:10])
    _rename(intake, rows, here)


def _check(on_record: set[str], here: dict[str, int], light: str, one: Answer) -> None:
    if light not in on_record:
        raise NotUnderstood(f"{one.where}: {light!r} is not on record")
    if one.what == RENUMBERED and one.new_number not in here:
        number = one.new_number
        raise NotUnderstood(f"{one.where}: {number!r} is not in the export's lights")


def _degrees(columns: dict[str, list[Any]]) -> NDArray[np.float64]:
    """Return longitude and latitude; far outside the world where they are none."""

    def number(text: Any) -> float:
        try:
            return float(text) if abs(float(text)) <= 180 else 1e6
        except (TypeError, ValueError):
            return 1e6

    both = [[number(t) for t in columns[c]] for c in ("longitude", "latitude")]
    return np.array(both, dtype=float).T


def _probably(intake: Intake, rows: Rows, gone: list[str]) -> dict[str, str]:
    """Pair missing lights with new ones at their place that are like them."""
    from scipy.spatial import cKDTree

    known, ids = intake.context.keys["lights"], rows.columns["light_id"]
    taken = intake.context.renumbered
    new = [i for i, k in enumerate(ids) if k and k not in known and k not in taken]
    if not gone or not new:
        return {}
    old = intake.writer.find("lights", gone)
    same = [name for name in _ALIKE if name in rows.columns]
    pair = ("longitude", "latitude")
    was = _degrees({c: [old[k][c] for k in gone] for c in pair})
    now = _degrees({c: [rows.columns[c][i] for i in new] for c in pair})
    metres = _M_PER_DEGREE * np.array([np.cos(np.radians(np.median(was[:, 1]))), 1.0])
    around = cKDTree(now * metres).query_ball_point(was * metres, NEAR_M)
    pairs: dict[str, str] = {}
    used: set[int] = set()
    alike = [rows.columns[name] for name in same]
    for light, near in zip(gone, around, strict=True):
        for at in sorted(near, key=lambda at: ids[new[at]]):
            i = new[at]
            cells = zip(same, alike, strict=True)
            if at not in used and all(v[i] == (old[light][n] or "") for n, v in cells):
                pairs[light] = ids[i]
                used.add(at)
                break
    return pairs


def _remove(intake: Intake, light: str, day: str) -> None:
    """Take a light out of service, and back what new number it was taken to have."""
    text = intake.writer.find("lights", [light])[light]["extra"]
    further = {k: v for k, v in json.loads(text or "{}").items() if k != NEW_NUMBER}
    extra = json.dumps(further, ensure_ascii=False, sort_keys=True) if further else None
    intake.writer.header("lights", ["removed_on"])
    _correct(intake, light, {"removed_on": day, "extra": extra})
    intake.outcome.removed += 1


def _correct(intake: Intake, light: str, values: Row) -> None:
    """Let what a person said of a light count from the export's time."""
    created, writer = intake.package.created, intake.writer
    old = writer.find("lights", [light])[light]
    since = max(created, old["effective"] or 0)
    recorded = max(created - 1, old["version_recorded"] or 0)
    change = Change(light, values, since, recorded, intake.said_by)
    writer.replace("lights", change)


def _rename(intake: Intake, rows: Rows, here: dict[str, int]) -> None:
    """Let rows of new numbers be rows of the lights that they are.

    A light stays in service since the day on which it came, whatever its new row says.
    """
    renumbered = intake.context.renumbered
    old = intake.writer.find("lights", list(renumbered.values()))
    for number, light in renumbered.items():
        i = here[number]
        if number in intake.context.keys["lights"]:
            _never_was(intake, number)
        rows.put("light_id", i, light, number, NEW_NUMBER)
        told, first = rows.columns.get("in_service"), old[light]["in_service"] or ""
        if told and told[i] != first:
            rows.put("in_service", i, first, told[i])


def _never_was(intake: Intake, number: str) -> None:
    """End a light that was taken in under its new number, on its first day."""
    row = intake.writer.find("lights", [number])[number]
    if not row["removed_on"]:
        first = row["in_service"] or intake.package.place["opened_on"][:10]
        intake.writer.header("lights", ["removed_on"])
        _correct(intake, number, {"removed_on": first})
