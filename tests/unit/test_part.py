"""A few circuits judged after a record, against the whole town judged from nothing."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lightwatch.decisions.triage import Outage, Triage, triaged
from lightwatch.decisions.triage.experience import Experience
from lightwatch.decisions.triage.part import Town
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.touched import touched
from lightwatch.nights import DAY, SECOND
from lightwatch.observations.entry import log_repair, new_key
from lightwatch.observations.known import Known, default_as_of
from lightwatch.observations.part import NotApart
from lightwatch.picture import Picture
from lightwatch.register import Register
from lightwatch.register.reach import later, reach
from lightwatch.store import Store, open_store
from lightwatch.words import DEAD, LIVE, SHUT
from tests.small_city import small_city

RECORDS = 12


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    found = open_store(small_city(tmp_path))
    yield found
    found.close()


def a_record(whole: Triage, before: list[Outage], chance: random.Random, at: int):
    """Return one repair, test, visit or correction at an open trouble or anywhere."""
    lights = whole.register.standing.set_index("light_id")
    light = str(chance.choice(list(lights.index)))
    open_here = [one for one in before if one.circuit_id]
    if open_here and chance.random() < 0.8:
        light = chance.choice(chance.choice(open_here).reported)
    mended = {
        "component": "photocontrol",
        "cause": "photocontrol",
        "proven": "seen_lit",
    }
    told = whole.signs.open
    report = [*told["report_id"][told["light_id"] == light], ""][0]
    last = [*whole.register.known.repairs["repair_id"], ""]
    what = chance.choice(
        [
            {"light_id": light, "action": LIVE},
            {"light_id": light, "action": DEAD},
            {"light_id": light, "action": SHUT},
            {"light_id": light, "action": "replaced", **mended},
            {"light_id": light, "action": "replaced", "report_id": report, **mended},
            {"light_id": light, "action": "no_fault_found", "cause": "none"},
            {"circuit_id": lights.at[light, "circuit_id"], "action": "repaired",
             "component": "cable", "cause": "cable"},
            {"light_id": light, "action": "repaired", "component": "fuse",
             "cause": "fuse", "supersedes": chance.choice(last[-20:])},
        ]
    )  # fmt: skip
    clock = whole.register.known.clock
    when = {name: clock.written(at) for name in ("performed_at", "recorded_at")}
    return {"repair_id": new_key(), "crew": "C1", **when, **what}


def from_nothing(store: Store, whole: Triage) -> Triage:
    """Return the town judged from the store, by the same rates."""
    register = Register(Known(store, default_as_of(store)))
    return Triage.drawn(Signs.of(register), whole.known, whole.misdrawn)


@pytest.mark.parametrize(("seed", "silent_days"), [(0, 0), (1, 365)])
def test_circuits_that_a_record_touches_are_judged_as_from_nothing(
    store, seed, silent_days
):
    chance = random.Random(seed)
    picture = Picture(Register(Known(store, default_as_of(store))))
    at, told, changed = default_as_of(store), 0, 0
    for number in range(RECORDS):
        at += chance.randrange(60, 4000) * SECOND + silent_days * DAY * (number == 0)
        marks, before = store.marks(), picture.outages
        record = a_record(picture.triage, before, chance, at)
        log_repair(store, record, now=at, said_by="C1")
        whole = from_nothing(store, picture.triage)
        wanted = triaged(whole)
        try:
            circuits = touched(store, picture.triage.signs.grid, marks)
            picture = picture.after(circuits, whole.register.as_of)
        except NotApart:
            picture = Picture(whole.register, (whole.known, whole.misdrawn))
            continue
        told += 1
        changed += picture.outages != before
        assert of(circuits, picture.outages) == of(circuits, wanted)
        assert lights_of(picture.outages) == lights_of(wanted)
        assert picture.as_of == whole.register.as_of
    assert told > RECORDS / 2
    assert changed > RECORDS / 4


def of(circuits: set[str], outages: list[Outage]) -> list[Outage]:
    return [one for one in outages if one.circuit_id in circuits]


def lights_of(outages: list[Outage]) -> list[tuple[str, ...]]:
    return sorted(one.lights for one in outages)


def test_circuits_that_may_have_gone_dark_together_take_the_whole(store, monkeypatch):
    picture = Picture(Register(Known(store, default_as_of(store))))
    circuit = next(one.circuit_id for one in picture.outages if one.circuit_id)
    picture.after([circuit], picture.as_of + SECOND)
    found = "lightwatch.decisions.triage.part.areas"
    monkeypatch.setattr(found, lambda register, circuits: ["an area"])
    with pytest.raises(NotApart, match="dark together"):
        picture.after([circuit], picture.as_of + SECOND)


def test_a_light_is_shown_as_it_was_read_last(store):
    picture = Picture(Register(Known(store, default_as_of(store))))
    trouble = next(one for one in picture.outages if one.circuit_id)
    light, at = trouble.reported[0], default_as_of(store) + SECOND
    clock = picture.known.clock
    record = {
        "repair_id": "NEW-1", "crew": "C1", "light_id": light, "action": "replaced",
        "performed_at": clock.written(at), "component": "photocontrol",
    }  # fmt: skip
    marks = store.marks()
    log_repair(store, record, now=at, said_by="C1")
    circuits = touched(store, picture.triage.signs.grid, marks)
    then = picture.after(circuits, default_as_of(store))

    assert "NEW-1" in set(then.around(light).known.repairs["repair_id"])
    assert "NEW-1" not in set(then.known.repairs["repair_id"])
    assert light not in {one for o in then.outages for one in o.reported}
    assert then.as_of > picture.as_of


def test_a_correction_touches_the_circuit_of_what_it_corrects(store):
    picture = Picture(Register(Known(store, default_as_of(store))))
    grid, marks = picture.triage.signs.grid, store.marks()
    old = picture.known.repairs
    old = old[(old["light_id"] != "") & old["light_id"].isin(grid.light_ids)].iloc[-1]
    names = dict(zip(grid.light_ids, grid.circuits[grid.circuit], strict=True))
    before = names[old["light_id"]]
    light = next(one for one, circuit in names.items() if circuit != before)
    record = {"repair_id": "NEW-1", "crew": "C1", "light_id": light, "action": "reset",
              "component": "photocontrol", "supersedes": old["repair_id"]}  # fmt: skip
    log_repair(store, record, now=default_as_of(store) + SECOND, said_by="C1")
    assert touched(store, grid, marks) == {before, names[light]}


def test_lights_told_of_side_by_side_move_each_others_circuits(store):
    signs = Signs.of(Register(Known(store, default_as_of(store))))
    grid = signs.grid
    first, second = grid.in_number[:-1], grid.in_number[1:]
    apart = np.flatnonzero(grid.circuit[first] != grid.circuit[second])[0]
    pair = np.array([first[apart], second[apart]])
    one, other = grid.circuits[grid.circuit[pair]]
    known = Experience.__new__(Experience)
    for told, moved in ((pair, {one, other}), (pair[:1], {one})):
        vars(signs)["told_since"] = told, np.full(len(told), signs.now - DAY)
        town = Town(Triage(known, signs))
        assert town.moved_by(frozenset({one})) == moved


def test_after_a_year_of_silence_the_whole_is_judged(store):
    """What is not told of for so long tells nothing: records had ended meanwhile."""
    picture = Picture(Register(Known(store, default_as_of(store))))
    trouble = next(one for one in picture.outages if one.circuit_id)
    at = default_as_of(store) + 365 * DAY
    clock, marks = picture.known.clock, store.marks()
    record = {"repair_id": "NEW-1", "crew": "C1", "light_id": trouble.reported[0],
              "action": DEAD, "performed_at": clock.written(at)}  # fmt: skip
    log_repair(store, record, now=at, said_by="C1")
    circuits = touched(store, picture.triage.signs.grid, marks)
    with pytest.raises(NotApart, match="too long ago"):
        picture.after(circuits, default_as_of(store))


def test_how_far_records_reach_is_told_without_those_that_came(store):
    """Or not told: as judged of all records a little later."""
    register = Register(Known(store, default_as_of(store)))
    told = 0
    for days in (0.01, 1, 20, 29, 31, 40, 100, 400):
        then = Register(Known(store, register.as_of + int(days * DAY)))
        found = later(register, then.as_of, ())
        assert found in (None, reach(then))
        told += found is not None
        more = later(register, then.as_of, ("reports", "repairs"))
        assert more in (None, found)
    assert 2 <= told < 8


def test_what_a_part_cannot_tell_takes_the_whole(store):
    picture = Picture(Register(Known(store, default_as_of(store))))
    grid = picture.triage.signs.grid
    names = {"light_id": "NOT-THERE", "circuit_id": None, "section_id": None}
    row = {**names, "report_id": None, "supersedes": None}

    class Odd:
        def beyond(self, resource, position, columns):
            return [row] if resource == "repairs" else []

        def find(self, resource, keys):
            return {}

    with pytest.raises(NotApart):
        touched(Odd(), grid, store.marks())
    free = replace(picture.triage.signs.grid)
    vars(free)["on_record"] = grid.on_record & False
    town = Town(replace(picture.triage, signs=Signs(free)))
    some = [str(grid.circuits[0])]
    with pytest.raises(NotApart):
        town.outages(some, picture.as_of, picture.outages)
