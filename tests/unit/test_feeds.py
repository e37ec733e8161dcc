"""How a light is fed: as its circuit says, else as it says itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.rates import rates
from lightwatch.register import Register
from tests.towns import Cells, little_town, new_store, take_in


def register(
    tmp_path: Path, lights: dict[int, Cells], circuits: dict[int, Cells]
) -> Register:
    store = new_store(tmp_path)
    outcome = take_in(
        store, little_town(tmp_path / "town", lights=lights, circuits=circuits)
    )
    assert not outcome.rejects
    return Register(Known(store, default_as_of(store)))


def feeds(one: Register) -> dict[str, str]:
    lights = one.known.lights
    found = one.feed_of(lights["circuit_id"], lights["light_id"])
    return dict(zip(lights["light_id"], found, strict=True))


@pytest.mark.parametrize(
    ("told", "circuit", "of_light"),
    [
        ({}, "", ""),
        ({5: "underground"}, "underground", "underground"),
        ({5: "underground", 2: "underground"}, "underground", "underground"),
        ({5: "underground", 2: "overhead"}, "mixed", "underground"),
        ({2: "overhead"}, "overhead", "overhead"),
    ],
)
def test_lights_say_what_their_circuit_does_not(tmp_path, told, circuit, of_light):
    lights = {line: {"feed": feed} for line, feed in told.items()}
    one = register(tmp_path, lights, {2: {"feed": ""}})
    of_circuit = dict(
        zip(one.circuits["circuit_id"], one.circuits["feed"], strict=True)
    )
    assert of_circuit == {"C1": circuit, "C2": "overhead"}
    assert feeds(one)["L04"] == of_light
    assert feeds(one)["L05"] == "overhead"


def test_a_circuit_that_says_its_feed_is_believed(tmp_path):
    one = register(tmp_path, {6: {"feed": "underground"}}, {})
    assert feeds(one)["L05"] == "overhead"


def test_a_light_on_no_circuit_says_its_own(tmp_path):
    lights = {6: {"circuit_id": "", "section_id": "", "feed": "underground"}}
    assert feeds(register(tmp_path, lights, {}))["L05"] == "underground"


def test_rates_say_unknown_where_nobody_does(tmp_path):
    one = register(tmp_path, {2: {"technology": ""}}, {2: {"feed": ""}})
    said = {
        name: {row.group[name] for row in rates(lives(one), [name])}
        for name in ("feed", "technology")
    }
    assert said["feed"] == {"overhead", "unknown"}
    assert "unknown" in said["technology"]
