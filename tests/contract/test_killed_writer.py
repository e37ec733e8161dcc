"""A writer killed at random points loses nothing acknowledged and doubles nothing.

5 rounds a store and face here; 200 by ``python -m tests.bench.kill_study``.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from lightwatch.store import open_store
from tests import databases
from tests.killing import by_command, by_service
from tests.towns import little_town, take_in

ROUNDS = 5


@pytest.mark.slow
@pytest.mark.parametrize("face", [by_command, by_service])
def test_a_killed_writer_loses_nothing_acknowledged_and_doubles_nothing(
    face, tmp_path: Path
) -> None:
    address = databases.address(tmp_path)
    store = open_store(address, create=True)
    take_in(store, little_town(tmp_path / "town"))
    store.engine.dispose()
    tally = face(address, "L01", ROUNDS, seed=5)
    assert tally.rounds == ROUNDS
    assert len(tally.acknowledged) >= ROUNDS
    assert set(tally.sent) <= tally.acknowledged
    assert tally.judge(address) == (0, 0)
