"""Triage tells feed faults from lone lights: one city of the study in every sixteen.

The full study (16 cities) is ``python -m tests.bench.triage``. Its goals are held here
to the cities run: a count of successes may fall as low as a count at the goal's chance
does once in 2,000 times.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from tests.recovery.triage_measures import calibration_error, measures, scored
from tests.recovery.triage_study import Study, study

RARE = 0.0005
RECALL = {0.3: 0.74, 0.7: 0.88}
SAME_LAMPS = {0.3: 0.74, 0.7: 0.82}


@pytest.fixture(scope="module", params=sorted(RECALL))
def found(request: pytest.FixtureRequest) -> tuple[float, Study]:
    return request.param, study(request.param, [0])


def enough(good: pd.Series, goal: float) -> bool:
    """Tell whether no fewer are good than chance makes of that goal."""
    return int(good.sum()) >= binom.ppf(RARE, len(good), goal)


@pytest.mark.slow
def test_circuits_said_to_be_faulted_are(found: tuple[float, Study]) -> None:
    rows = scored(found[1])
    flagged = rows[rows["flagged"]]

    assert len(flagged) >= 5
    assert enough(flagged["positive"], 0.92)


@pytest.mark.slow
def test_detectable_faults_are_found(found: tuple[float, Study]) -> None:
    reported, made = found
    rows = scored(made)
    detectable = rows[rows["detectable"]]

    assert len(detectable) >= 5
    assert enough(detectable["flagged"], RECALL[reported])


@pytest.mark.slow
def test_chances_mean_what_they_say(found: tuple[float, Study]) -> None:
    rows = scored(found[1])
    judged = rows[rows["judged"]]
    chance = judged["chance"].to_numpy(float)
    rng = np.random.default_rng(1)
    worlds = rng.random((2000, chance.size)) < chance
    usual = [calibration_error(chance, world.astype(float)) for world in worlds]
    error = calibration_error(chance, judged["positive"].to_numpy(float))

    assert error <= max(0.01, float(np.quantile(usual, 1 - RARE)))


@pytest.mark.slow
def test_chances_are_twice_as_sharp_as_the_usual_rate(
    found: tuple[float, Study],
) -> None:
    ratio = measures(found[1])["Brier / base rate's"]

    assert ratio.value - 3.3 * ratio.error <= 0.5


@pytest.mark.slow
def test_the_stretch_is_among_the_first_three(found: tuple[float, Study]) -> None:
    reported, made = found

    assert len(made.faults) >= 3
    assert enough(made.faults["rank_same"] <= 3, SAME_LAMPS[reported])


@pytest.mark.slow
def test_triage_finds_more_than_any_baseline_as_precise(
    found: tuple[float, Study],
) -> None:
    """Of rules no less precise none finds as many of the detectable faults."""
    rows = scored(found[1])
    ours = rows["flagged"] & rows["positive"]
    precise = ours.sum() / rows["flagged"].sum()
    for name in ("count >= 3", "DBSCAN 60 m, 3", "beta-binomial, BH 5 %"):
        flag = rows[name].astype(bool)
        right = flag & rows["positive"]
        if flag.any() and right.sum() / flag.sum() >= precise:
            assert right.sum() < ours.sum(), name
