"""Score and information add up over partitions, wherever they are summed."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest

from lightwatch.errors import UnknownAsset
from lightwatch.rates.partitions import on_cluster


@pytest.mark.slow
def test_a_cluster_gives_the_same_fit_and_survives_a_workers_death() -> None:
    result = subprocess.run(
        [sys.executable, "-m", "tests.cluster_trial"],
        capture_output=True,
        text=True,
        timeout=240,
    )
    found = json.loads(result.stdout.splitlines()[-1])
    assert set(found) == {"whole", "killed"}
    assert np.abs(found["whole"]).max() <= 1e-9
    assert np.abs(found["killed"]).max() <= 1e-9


def test_a_scheduler_that_does_not_answer_is_said_in_one_line() -> None:
    with (
        pytest.raises(UnknownAsset, match="no scheduler answers at tcp://127"),
        on_cluster("tcp://127.0.0.1:9"),
    ):
        pass
