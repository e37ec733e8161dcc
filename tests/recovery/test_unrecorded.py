"""Cable faults where no circuit is on record, and lights on a wrong circuit.

The full study is ``python -m tests.bench.unrecorded``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.recovery.cable_events import asked, found, town
from tests.recovery.misdrawn_study import contradicted


@pytest.mark.slow
def test_cable_faults_are_found_without_a_circuit_on_record(tmp_path: Path) -> None:
    came = []
    for seed in (11, 12):
        folder = tmp_path / str(seed)
        folder.mkdir()
        came.append(found(town(seed), asked(town(seed), folder, cabinets=False)))
    hits, false = np.sum(came, axis=0)
    assert hits >= 9
    assert false <= 2


@pytest.mark.slow
def test_lights_on_a_wrong_circuit_are_named_by_their_history() -> None:
    came = contradicted(33, 1500)
    assert came.twice >= 5
    assert came.twice_named >= 0.5 * came.twice
    assert came.right >= 0.8 * came.named
